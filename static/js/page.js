// Small conveniences of every page. Without this script every page still works.
import "./drafts.js";

// A phone's decimal keypad may have no minus key: the sign button turns the number's sign.
for (const button of document.querySelectorAll("button.sign")) {
  button.hidden = false;
  button.addEventListener("click", () => {
    const input = button.parentElement.querySelector("input");
    const text = input.value.trim();
    input.value = /^[-−]/.test(text) ? text.slice(1) : `-${text}`;
    input.focus();
  });
}

// A clock with two parts in a field of minutes is hours and minutes (calc/quantities.py); the line below it says so, and
// takes it for minutes and seconds with one tap.
for (const line of document.querySelectorAll(".clock")) {
  const input = line.previousElementSibling.querySelector("input");
  const say = () => {
    const clock = /^\s*(\d{1,3}):([0-5]\d)\s*$/.exec(input.value);
    line.hidden = !clock;
    if (!clock) return;
    const [first, second] = clock.slice(1).map(Number);
    const button = document.createElement("button");
    button.type = "button";
    button.className = "act slight";
    button.textContent = `Take it for ${first} min ${second} s`;
    button.addEventListener("click", () => {
      input.value = `${first} min ${second} s`;
      say();
      input.focus();
    });
    line.replaceChildren(`${input.value.trim()} is ${first} h ${second} min here. `, button);
  };
  input.addEventListener("input", say);
  say();
}

// Filter forms are submitted as soon as a choice is made.
for (const select of document.querySelectorAll("form[data-sends-itself] select")) {
  select.addEventListener("change", () => select.form.requestSubmit());
}

// Print buttons.
for (const button of document.querySelectorAll("button[data-prints]")) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}

// Signing out says what still waits on this phone; it stays there, and is sent after the next sign-in.
const signOut = document.querySelector("form[action$='/sign-out/']");
signOut?.addEventListener("submit", (event) => {
  if (signOut.dataset.asked || !indexedDB.databases) return;
  event.preventDefault();
  void (async () => {
    const counts = (await indexedDB.databases()).filter(({ name }) => name.startsWith("firnlog-field")).map(({ name }) => new Promise((resolve) => {
      const request = indexedDB.open(name);
      request.onerror = () => resolve(0);
      request.onsuccess = () => {
        const opened = request.result;
        if (!opened.objectStoreNames.contains("records")) resolve(0);
        else opened.transaction("records").objectStore("records").count().onsuccess = ({ target }) => resolve(target.result);
        opened.close();
      };
    }));
    const waiting = (await Promise.all(counts)).reduce((sum, count) => sum + count, 0);
    const words = `${waiting} ${waiting === 1 ? "record waits" : "records wait"} in this browser and ${waiting === 1 ? "is" : "are"} not on the server yet. ` +
      "They stay here, and are sent when the one who logged them signs in again. Sign out all the same?";
    if (waiting && !confirm(words)) return;
    signOut.dataset.asked = "yes";
    signOut.requestSubmit();
  })();
});

// The key / leads to the search from anywhere but a field.
document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.target.closest("input, select, textarea, [contenteditable]")) return;
  const field = document.getElementById("words") ?? document.getElementById("find");
  if (!field) return;
  event.preventDefault();
  if (field.offsetParent) field.select();
  else location.assign(field.form.action);
});

// What an address points to is unfolded, also by browsers that leave it folded.
function unfold() {
  const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  for (let fold = target?.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
  if (target?.closest("details")) target.scrollIntoView();
}
if (location.hash) unfold();
addEventListener("hashchange", unfold);

// Paper has no folds where a page says so; afterwards they are as they were.
const folded = () => document.querySelectorAll("[data-opens-for-print] details:not([open]), details[data-opens-for-print]:not([open])");
addEventListener("beforeprint", () => {
  for (const fold of folded()) { fold.dataset.wasFolded = ""; fold.open = true; }
});
addEventListener("afterprint", () => {
  for (const fold of document.querySelectorAll("[data-was-folded]")) { fold.open = false; delete fold.dataset.wasFolded; }
});
