// Offers to send again the confirmed records that the server has lost.

import { button, counted, el, feel, say } from "./elements.js";
import { leaveAsItIs, lostNow, sendAgain } from "./queue.js";

export async function lostNotice(app) {
  const { lost, words } = await lostNow();
  if (!words) return null;
  const send = async () => {
    const { queued, without } = await sendAgain(lost.missing, lost.earlier);
    feel();
    const left = without ? ` ${counted(without, "photo is", "photos are")} not on this phone any more: the pictures had to make room.` : "";
    say(`${counted(queued, "record")} sent again.${left}`, { wrong: Boolean(without) });
    await app.render();
  };
  const leave = async () => {
    await leaveAsItIs(lost);
    say("Left as the server has it. This phone keeps its copies; see Waiting.");
    await app.render();
  };
  return el("section", { class: "notice", id: "lost" },
    el("p", {}, words),
    el("div", { class: "row" }, button("Send again", () => void send(), { class: "act first" }), button("Leave it so", () => void leave())));
}
