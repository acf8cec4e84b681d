// The service worker of the field page. SHELL, above this line, names this version of the page and
// its files. It caches nothing else: no record and no page of an account.

// Caches are shared by the whole host, where a second installation may run under another path.
const BEGIN = SHELL.page === "/field/" ? "firnlog-shell-" : `firnlog-shell ${SHELL.page} `;
const OURS = `${BEGIN}${SHELL.version}`;
const POINTER = `${BEGIN}in-use`;

async function inUse() {
  const pointer = await (await caches.open(POINTER)).match(SHELL.page);
  return pointer ? pointer.text() : "";
}

async function use(version) {
  await (await caches.open(POINTER)).put(SHELL.page, new Response(version));
}

// Caches a version completely or not at all, and never from a captive portal.
async function cacheVersion() {
  const cache = await caches.open(OURS);
  const document = await fetch(SHELL.page, { cache: "reload", redirect: "error" });
  if (!document.ok || document.headers.get("X-Firnlog-Shell") !== SHELL.version) {
    throw new Error("The field page on the network is not this version.");
  }
  await cache.put(SHELL.page, document);
  for (const address of SHELL.files) {
    const file = await fetch(address, { cache: "reload", redirect: "error" });
    if (!file.ok || /text\/html/.test(file.headers.get("Content-Type"))) throw new Error(`${address} did not come.`);
    await cache.put(address, file);
  }
}

// The version in use is stored in a cache and does not depend on the running worker: a new worker may start
// at any time, but the page changes only when the person asks for it.
self.addEventListener("install", (event) => {
  event.waitUntil(cacheVersion().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const current = await inUse();
    if (!current || !(await caches.has(`${BEGIN}${current}`))) await use(SHELL.version);
    await self.clients.claim();
  })());
});

self.addEventListener("message", (event) => {
  if (event.data === "which version") {
    event.waitUntil(inUse().then((current) => event.ports[0].postMessage({ current, newest: SHELL.version })));
  }
  if (event.data === "use the new version") {
    event.waitUntil((async () => {
      await use(SHELL.version);
      for (const name of await caches.keys()) {
        if (name.startsWith(BEGIN) && name !== OURS && name !== POINTER) await caches.delete(name);
      }
      event.ports[0].postMessage("done");
    })());
  }
});

self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  if (event.request.method !== "GET" || address.origin !== self.location.origin) return;
  const isPage = address.pathname === SHELL.page;
  if (!isPage && !/\/(field|css)\/[^/]+\.(js|css)$|\/icon[^/]*\.svg$/.test(address.pathname)) return;
  event.respondWith((async () => {
    const current = await caches.open(`${BEGIN}${await inUse()}`);
    const cached = (await current.match(isPage ? SHELL.page : address.pathname)) ?? (isPage ? null : await caches.match(address.pathname));
    return cached ?? fetch(event.request);
  })());
});
