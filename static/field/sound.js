// Tones and speech, for a rider who cannot look. A browser lets a page sound only after a person has touched it.

let audio = null;

function ready() {
  const Audio = globalThis.AudioContext ?? globalThis.webkitAudioContext;
  if (!Audio) return;
  audio ??= new Audio();
  if (audio.state === "suspended") void audio.resume().catch(() => {});
}

for (const touch of ["pointerdown", "keydown"]) globalThis.addEventListener?.(touch, ready, true);

// Pitches in Hz, each with its length in seconds; 0 is a pause.
const TONES = {
  mark: [[1320, 0.09]],
  pass: [[990, 0.09], [1480, 0.16]],
  soon: [[740, 0.25], [0, 0.1], [740, 0.25]],
  now: [[1760, 0.3], [880, 0.3], [1760, 0.3], [880, 0.3], [1760, 0.5]],
};

// What was sounded and said last, for tests and for a look at what a phone did.
export const heard = { tones: [], words: [] };

export function tone(kind) {
  heard.tones.push(kind);
  if (audio?.state !== "running") return;
  let at_s = audio.currentTime;
  for (const [pitch_hz, length_s] of TONES[kind]) {
    if (pitch_hz) {
      const [voice, volume] = [audio.createOscillator(), audio.createGain()];
      voice.type = "square";
      voice.frequency.value = pitch_hz;
      volume.gain.setValueAtTime(kind === "now" ? 0.9 : 0.4, at_s);
      volume.gain.setTargetAtTime(0, at_s + length_s - 0.02, 0.01);
      voice.connect(volume).connect(audio.destination);
      voice.start(at_s);
      voice.stop(at_s + length_s + 0.05);
    }
    at_s += length_s;
  }
}

export function speak(words) {
  heard.words.push(words);
  if (!globalThis.speechSynthesis || !globalThis.SpeechSynthesisUtterance) return;
  const spoken = new SpeechSynthesisUtterance(words);
  spoken.lang = "en";
  speechSynthesis.speak(spoken);
}
