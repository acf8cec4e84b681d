// Requests to the server; distinguishes its answers from those of a proxy or captive portal.

const place = document.body.dataset;
const API = new URL("../", new URL(place.reference, location.href)).href;
export const OUR_FORMAT = 1;

export function cookie(name) {
  return document.cookie.split("; ").find((pair) => pair.startsWith(`${name}=`))?.slice(name.length + 1) ?? "";
}

// Whether the last person here signed out on purpose. A sign-in that ran out on the way is not meant: logging goes on then.
export function hasLeft() {
  return Boolean(cookie(place.leftCookie));
}

// Seconds to wait, from the header (RFC 9110, 10.2.3: seconds, or a date); null without one.
export function retryAfter(text, now_ms = Date.now()) {
  if (!text) return null;
  const wait_s = /^\d+$/.test(text.trim()) ? Number(text) : (Date.parse(text) - now_ms) / 1000;
  return Number.isFinite(wait_s) ? Math.max(0, wait_s) : null;
}

// An answer is one of: {kind: "json", status, body}, {kind: "offline"}, {kind: "portal", status}, {kind: "server", status},
// {kind: "cut", status} for one that ends in the middle.
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
    const retry_after_s = retryAfter(response.headers.get("Retry-After"));
    if (response.status >= 500 || response.status === 429) return { kind: "server", status: response.status, retry_after_s };
    const portal = { kind: "portal", status: response.status };
    if (response.type === "opaqueredirect") return portal;
    if (!/^application\/(problem\+)?json/.test(response.headers.get("Content-Type") ?? "")) return portal;
    // What was cut off on the way may still have been done.
    const cut = { kind: "cut", status: response.status };
    const text = await response.text().catch(() => null);
    if (text === null) return cut;
    try {
      return { kind: "json", status: response.status, body: JSON.parse(text) };
    } catch {
      return cut;
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
