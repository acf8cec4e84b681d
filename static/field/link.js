// Requests to the server; distinguishes its answers from those of a proxy or captive portal.

const place = document.body.dataset;
const API = new URL("../", new URL(place.reference, location.href)).href;
export const OUR_FORMAT = 1;

function cookie(name) {
  return document.cookie.split("; ").find((pair) => pair.startsWith(`${name}=`))?.slice(name.length + 1) ?? "";
}

// An answer is one of: {kind: "json", status, body}, {kind: "offline"}, {kind: "portal", status}, {kind: "server", status}.
export async function ask(path, { method = "GET", body, headers = {}, timeout_ms = 20_000 } = {}) {
  const giveUp = new AbortController();
  const timer = setTimeout(() => giveUp.abort(), timeout_ms);
  try {
    const response = await fetch(new URL(path, API), {
      method,
      body,
      // Read at the time of the request, because signing in issues a new token.
      headers: { Accept: "application/json", "X-CSRFToken": cookie(place.csrfCookie), ...headers },
      credentials: "same-origin",
      cache: "no-store",
      redirect: "manual",
      signal: giveUp.signal,
    });
    if (response.status >= 500) return { kind: "server", status: response.status };
    const portal = { kind: "portal", status: response.status };
    if (response.type === "opaqueredirect") return portal;
    if (!/^application\/(problem\+)?json/.test(response.headers.get("Content-Type") ?? "")) return portal;
    const text = await response.text();
    try {
      return { kind: "json", status: response.status, body: JSON.parse(text) };
    } catch {
      return portal;
    }
  } catch {
    return { kind: "offline" };
  } finally {
    clearTimeout(timer);
  }
}

export function signInAddress() {
  return `${place.signIn}?next=${encodeURIComponent(place.page)}`;
}
