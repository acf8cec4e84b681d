// Drafts of forms in this browser: forgotten once their form is saved, and all of them at sign-out.

export const DRAFTS = "firnlog-draft:";
const KEPT_MS = 30 * 24 * 3600 * 1000;

function forget(isOver) {
  for (const key of Object.keys(localStorage)) {
    if (!key.startsWith(DRAFTS)) continue;
    let draft = null;
    try {
      draft = JSON.parse(localStorage.getItem(key));
    } catch {
      // Not a draft that can be read: it goes.
    }
    if (!draft || isOver(draft)) localStorage.removeItem(key);
  }
}

// The address of the page after a form says which draft was saved.
const saved = /^#saved-([0-9a-z]+)$/.exec(location.hash);
try {
  forget((draft) => draft.token === saved?.[1] || Date.now() - Date.parse(draft.at) > KEPT_MS);
  for (const form of document.querySelectorAll('form[action$="sign-out/"]')) {
    form.addEventListener("submit", () => forget(() => true));
  }
} catch {
  // The browser keeps nothing for this site, so there is nothing to forget.
}
if (saved) history.replaceState(history.state, "", location.pathname + location.search);
