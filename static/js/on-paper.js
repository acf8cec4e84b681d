// Answers while numbers are typed: the page is worked out anew, and its picture and numbers are exchanged.

const AFTER_TYPING_MS = 350;
const REPLACED = ["picture", "numbers", "alarms", "not-drawn"];
// With a slip in what is typed the picture stays as it was, and that is said.
const WITH_A_SLIP = ["not-drawn"];
const form = document.querySelector("[data-answers-while-typing]");
let waiting = 0;
let asked = 0;

async function answer() {
  asked += 1;
  const mine = asked;
  const query = new URLSearchParams(new FormData(form));
  let response;
  try {
    response = await fetch(`${location.pathname}?${query}`, { credentials: "same-origin" });
  } catch {
    response = null;
  }
  // A later answer may have come first.
  if (mine !== asked) return;
  if (!response?.ok && response?.status !== 422) {
    document.getElementById("not-drawn").textContent = "Not in the picture and the numbers: the server does not answer.";
    return;
  }
  const page = new DOMParser().parseFromString(await response.text(), "text/html");
  for (const id of response.ok ? REPLACED : WITH_A_SLIP) {
    const [shown, worked] = [document.getElementById(id), page.getElementById(id)];
    if (!shown || !worked) continue;
    // What is unfolded stays so while one types.
    const folds = shown.querySelectorAll("details");
    worked.querySelectorAll("details").forEach((fold, place) => { fold.open = folds[place]?.open ?? fold.open; });
    shown.replaceWith(worked);
  }
}

form?.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => void answer(), AFTER_TYPING_MS);
});
