// Goes on to the next page once the server, which has just stopped, answers again.

const ASK_EVERY_MS = 2000;
const STOPPED_BY_THEN_MS = 5000;

const link = document.getElementById("following");

async function goOnWhenItAnswers() {
  try {
    const answer = await fetch(link.dataset.health, { cache: "no-store" });
    if (answer.ok) {
      location.replace(link.href);
      return;
    }
  } catch {
    // Not there yet.
  }
  setTimeout(goOnWhenItAnswers, ASK_EVERY_MS);
}

setTimeout(goOnWhenItAnswers, STOPPED_BY_THEN_MS);
