// The worker of the pages: opens them where there is no signal, with the last Today and the forms of the diary as they
// were, and sends what waits when the signal is back. The server puts FILES_AS and FILES before this text, which name
// the files of its version.
importScripts("/static/unsent.js");

const PAGES = "pages"; // what was read last; gone with the sign-in
const PATHS = ["/", "/diary", "/work"];
const DOORS = /^\/(sign-in|sign-out|invitation\/.*)$/; // to which is sent who is the reader from now on
const AWAY = "/offline";
const MOST_PAGES = 24;
const ANSWERS_WITHIN_MS = 5000; // of a weak signal; then the page as it was

let readers = 0; // how often another reader may have come: a page that was asked for before is not kept after

async function forget() {
  readers += 1;
  await caches.delete(PAGES);
}

const QUERIES = { "/diary": ["on", "rare"] }; // of a page that is kept for each; of others and by others it is one

function keptAs(address) {
  const { origin, pathname, searchParams } = new URL(address);
  const named = [...searchParams].filter(([name, value]) => value && QUERIES[pathname]?.includes(name));
  return `${origin}${pathname}${named.length ? `?${new URLSearchParams(named)}` : ""}`;
}

const hasOtherQuery = (address) => [...new URL(address).searchParams].length > [...new URL(keptAs(address)).searchParams].length;

async function keep(url, answer, asked) {
  if (!answer.ok || answer.redirected || hasOtherQuery(url)) return;
  const at = new Date(answer.headers.get("date") || Date.now()).toISOString();
  const text = (await answer.text()).replace("<body", `<body data-kept-at="${at}"`);
  const headers = new Headers(answer.headers);
  for (const name of ["content-encoding", "content-length", "etag"]) headers.delete(name);
  const pages = await caches.open(PAGES);
  if (asked !== readers) return;
  await pages.put(keptAs(url), new Response(text, { headers }));
  const others = (await pages.keys()).filter((one) => one.url.includes("?"));
  if (others.length > MOST_PAGES) await pages.delete(others[0]); // never one of PATHS
}

async function look(event) {
  const asked = readers;
  const isKept = PATHS.includes(new URL(event.request.url).pathname);
  const answer = await fetch(event.request);
  if (answer.status === 401 || (answer.status === 403 && isKept)) event.waitUntil(forget());
  else if (isKept) event.waitUntil(keep(event.request.url, answer.clone(), asked));
  return answer;
}

// What is answered, or what was kept where the answer is late or does not come: of a box that is half reached both can be.
async function soon(asked, kept) {
  const late = new Promise((resolve) => { setTimeout(resolve, ANSWERS_WITHIN_MS); });
  try {
    return (await Promise.race([asked, late])) || (await kept()) || (await asked);
  } catch (reason) {
    return kept();
  }
}

async function page(event) {
  const kept = async () => (await caches.open(PAGES)).match(keptAs(event.request.url));
  return (await soon(look(event), kept)) || (await caches.match(AWAY)) || Response.error();
}

async function file(request) {
  return (await soon(fetch(request), () => caches.match(request, { ignoreSearch: true }))) || Response.error();
}

self.addEventListener("install", (event) => {
  const files = [...FILES, new Request(AWAY, { credentials: "omit" })];
  event.waitUntil(caches.open(FILES_AS).then((cache) => cache.addAll(files)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== FILES_AS && name !== PAGES) await caches.delete(name);
    await self.clients.claim();
    const asked = readers;
    const first = async (path) => keep(new URL(path, self.location).href, await fetch(path, { headers: { Accept: "text/html" } }), asked);
    await Promise.allSettled(PATHS.map(first));
  })());
});
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (origin !== self.location.origin) return;
  if (request.method === "POST" ? DOORS.test(pathname) : pathname.startsWith("/link/")) event.waitUntil(forget());
  if (request.method !== "GET") return;
  if (pathname.startsWith("/static/") || pathname === "/manifest.webmanifest" || FILES.includes(pathname)) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(event));
  else if ((request.headers.get("accept") || "").includes("text/html")) event.respondWith(look(event));
});
self.addEventListener("sync", (event) => {
  event.waitUntil(self.unsent.send().then((outcome) => { if (outcome === "away") throw new Error("away"); })); // again later
});
