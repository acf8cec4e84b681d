// The first page: what waits on this phone, and the bench's answer where the server did not read every session for it.
import { nameAt } from "../field/store.js";

const line = document.getElementById("on-this-phone");

// How many records the field page still keeps here, or none where it was never opened: opening its store would make one.
async function waiting(name) {
  const stores = (await indexedDB.databases?.()) ?? [];
  if (!stores.some((store) => store.name === name)) return 0;
  return new Promise((resolve) => {
    const request = indexedDB.open(name);
    request.onerror = () => resolve(0);
    request.onsuccess = () => {
      const database = request.result;
      if (!database.objectStoreNames.contains("records")) { database.close(); resolve(0); return; }
      const count = database.transaction("records").objectStore("records").count();
      count.onerror = () => { database.close(); resolve(0); };
      count.onsuccess = () => { database.close(); resolve(count.result); };
    };
  });
}

const count = line && window.indexedDB ? await waiting(nameAt(line.dataset.store)).catch(() => 0) : 0;
if (count) {
  const link = document.createElement("a");
  link.href = line.dataset.store;
  link.textContent = "Open the field page to send them";
  line.replaceChildren(`On this phone ${count === 1 ? "1 record waits" : `${count} records wait`} for the server. `, link);
  line.hidden = false;
}

const next = document.querySelector("[data-next]");
if (next) {
  const answer = await fetch(next.dataset.next, { headers: { Accept: "application/json" } }).catch(() => null);
  if (answer?.ok) {
    const [step] = (await answer.json()).next;
    const words = next.querySelector("p");
    words.setAttribute("role", "status");
    const inChosenSign = (text) => (document.documentElement.dataset.decimal === "," ? text.replace(/(\d)\.(\d)/g, "$1,$2") : text);
    words.textContent = step ? inChosenSign(step.sentence) : "Nothing is open at the bench. Plan the next change, and say what it should do.";
  }
}
