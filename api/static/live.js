// Keeps an open page up to date without getting in the reader's way. When there is news the page is asked for again and
// what differs is changed in place: nothing that has the focus goes or moves, nothing half written is lost, what was
// opened stays open, and what is being read does not jump. One request is in flight at a time.
import say from "/texts.js";

const body = document.body;
const away = document.getElementById("away");
const REFUSED_AGAIN_AFTER_MS = 60_000;

let heardAt = new Date(body.dataset.keptAt || Date.now());
let askedAt = -Infinity;
let asking = false;
let wanted = false;
let later;

function sayAway() {
  const clock = heardAt.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: body.dataset.zone });
  away.textContent = say.asAt.replace("{clock}", clock);
  away.hidden = false;
}

function sayEnded() {
  away.textContent = say.ended;
  away.hidden = false;
}

function sayBack() {
  heardAt = new Date();
  away.hidden = true;
}

function isBusy(element) {
  // somebody writes in it, or has written
  const form = element.closest("form");
  const fields = form ? [...form.elements] : [];
  return fields.some((f) => f === document.activeElement && f.matches("input:not([type=range]),select,textarea"))
    || fields.some((f) => "defaultValue" in f && f.type !== "hidden" && f.value !== f.defaultValue);
}

function sameAttributes(old, fresh) {
  for (const { name, value } of [...fresh.attributes]) {
    if (name === "open") continue;
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  for (const { name } of [...old.attributes]) {
    if (name !== "open" && name !== "data-set" && !fresh.hasAttribute(name)) old.removeAttribute(name);
  }
}

export function change(old, fresh) {
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  if (old.nodeType !== Node.ELEMENT_NODE || old.isEqualNode(fresh)) return;
  if ("keep" in old.dataset || (old.matches("form") && old.elements.length && isBusy(old.elements[0]))) return;
  sameAttributes(old, fresh);
  if (!old.matches("input,select,textarea")) children(old, fresh);
}

function matching(old, at, next) {
  if (next.id) return [...old.children].find((child) => child.id === next.id);
  const alike = at && !at.id && at.nodeType === next.nodeType && at.nodeName === next.nodeName;
  return alike ? at : null;
}

function children(old, fresh) {
  let at = old.firstChild;
  for (const next of [...fresh.childNodes]) {
    const match = matching(old, at, next);
    if (!match) {
      old.insertBefore(document.importNode(next, true), at);
      continue;
    }
    while (at && at !== match) at = without(at); // moving the match would cost it the focus
    at = match.nextSibling;
    change(match, next);
  }
  while (at) at = without(at);
}

function without(node) {
  const next = node.nextSibling;
  if (!node.contains(document.activeElement)) node.remove();
  return next;
}

function inSight() {
  // an element that is being looked at, and how far down it stands
  const focused = document.activeElement;
  const seen = focused && focused !== body && focused.id !== "main" ? focused : document.elementFromPoint(innerWidth / 2, innerHeight / 3);
  return seen && [seen, seen.getBoundingClientRect().top];
}

async function ask() {
  clearTimeout(later);
  wanted = true;
  if (asking) return;
  const wait = askedAt + 1000 * Number(body.dataset.every) - performance.now();
  if (wait > 0) {
    later = setTimeout(ask, wait);
    return;
  }
  asking = true;
  wanted = false;
  askedAt = performance.now();
  try {
    const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
    if (answer.status === 401) {
      asking = wanted = false;
      return sayEnded();
    }
    if (!answer.ok) throw new Error(answer.status);
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const held = scrollY > 0 && inSight();
    for (const part of ["head", "notices", "main"]) change(document.getElementById(part), fresh.getElementById(part));
    if (held && held[0].isConnected) scrollBy(0, held[0].getBoundingClientRect().top - held[1]);
    body.dataset.change = fresh.body.dataset.change;
    delete body.dataset.keptAt;
    body.classList.remove("old");
    sayBack();
    document.dispatchEvent(new Event("changed"));
  } catch (reason) {
    sayAway();
  }
  asking = false;
  if (wanted) ask();
}

document.addEventListener("news", () => { askedAt = -Infinity; ask(); }); // what this page itself has brought about
function listen() {
  const news = new EventSource("/api/v1/live");
  news.addEventListener("open", sayBack);
  news.addEventListener("error", () => {
    if (news.readyState !== EventSource.CLOSED) return sayAway(); // the browser itself tries again
    ask(); // refused, as too many listen already: the page asks by the minute
    setTimeout(listen, REFUSED_AGAIN_AFTER_MS);
  });
  news.addEventListener("change", (event) => {
    // what came before the page was connected is news too, and so is all to a page that was kept
    if (event.lastEventId !== body.dataset.change || body.dataset.keptAt) ask();
  });
}
listen();
