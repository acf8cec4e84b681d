// How far the import of a log is, asked every two seconds; when it ends, the page is shown anew. Without this script the
// page shows itself anew every few seconds.
const section = document.getElementById("import");
const bar = section.querySelector("progress");
const words = section.querySelector("[role=status] span");

const look = async () => {
  try {
    const answer = await fetch(section.dataset.progress);
    if (answer.ok) {
      const progress = await answer.json();
      if (progress.state === "done") {
        location.reload();
        return;
      }
      bar.value = progress.percent;
      if (words.textContent !== progress.sentence) words.textContent = progress.sentence;
    }
  } catch {
    // Without a network the page stays as it is, and asks again.
  }
  setTimeout(look, 2000);
};
setTimeout(look, 1000);
