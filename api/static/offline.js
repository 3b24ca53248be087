// Keeps what is written where there is no signal, and says so: what waits to be sent, what was not taken and why, how
// old a page is that the worker had kept. Needs an encrypted address for the worker; the rest does without.
import say from "/texts.js";

const body = document.body;
const box = document.getElementById("unsent");
const list = document.createElement("ol");
const title = Object.assign(document.createElement("h2"), { id: "unsent-title", textContent: say.unsent });
const why = Object.assign(document.createElement("p"), { className: "why" });
const sendNow = button(say.sendNow, () => send());
const asMine = button(say.asMine, () => send(true));
const signIn = Object.assign(document.createElement("a"), { className: "press", href: "/sign-in?back=/diary", textContent: say.signInThere });
const AGAIN_AFTER_MS = 30_000;
const HOUR_MS = 3_600_000;
const OLD_MS = 6 * HOUR_MS;
const DATED_MS = 20 * HOUR_MS; // a weekday alone may be last week's
const AGES_MS = 60_000;
const VERDICTS = ".six .c, .slices figcaption > span, .many li span, .shut-for, main p:has(> .v, > .act)";
const REASONS = ".six ul.why li, .row p.quiet";
let outcome = "nothing";
let worker = "serviceWorker" in navigator ? "waits" : "none";
let later;
let unsentCount = 0; // entries that the box does not have

// --- what waits

function button(words, press) {
  const made = Object.assign(document.createElement("button"), { type: "button", textContent: words });
  made.addEventListener("click", press);
  return made;
}

function discard(entry) {
  const made = button(say.discard, () => {
    if (made.dataset.sure) return self.unsent.drop(entry.sent_as);
    made.dataset.sure = "yes";
    made.textContent = say.sure;
  });
  return made;
}

export function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((one) => one.toString(16).padStart(2, "0")).join("");
}

async function correct(entry) {
  sessionStorage.setItem("correct", await self.unsent.hold(entry, newKey()));
  if (location.pathname + location.search === entry.page && document.getElementById(entry.form)) return fillIn();
  location.assign(`${entry.page}#${entry.form}`);
}

// Whether whoever reads the page has written it; where nobody has to sign in, everybody has.
const isOwn = (entry) => !entry.by || entry.by === body.dataset.reader;

function line(entry) {
  const made = document.createElement("li");
  const said = document.createElement("p");
  said.append(`${when(entry.at)} `, Object.assign(document.createElement("b"), { textContent: entry.said }));
  made.append(said);
  if (entry.state === "held") made.append(Object.assign(document.createElement("p"), { textContent: say.held }));
  const isFailed = entry.state === "refused" && entry.status === self.unsent.FAILS;
  const told = isFailed ? say.failed : entry.told;
  if (told) made.append(Object.assign(document.createElement("p"), { className: "fault", textContent: told }));
  if (!isOwn(entry)) return made;
  const marks = Object.assign(document.createElement("p"), { className: "marks" });
  if (entry.state === "asked") marks.append(button(say.noted, () => self.unsent.drop(entry.sent_as)));
  else if (entry.state === "refused" && entry.confirms) marks.append(button(say.right, () => confirmed(entry)));
  if (entry.state === "held" || isFailed) marks.append(button(say.asItIs, () => goOn(entry.sent_as)));
  if (entry.state !== "asked" && entry.form) marks.append(button(say.correct, () => correct(entry)));
  if (entry.state !== "asked") marks.append(discard(entry));
  made.append(marks);
  return made;
}

async function confirmed(entry) {
  const fields = [...entry.fields.filter(([name]) => name !== "confirmed"), ["confirmed", entry.confirms]];
  await self.unsent.keep({ ...entry, fields, state: "waiting", told: "" });
  send();
}

function when(at) {
  const day = Date.now() - new Date(at) < DATED_MS ? {} : { day: "numeric", month: "short" };
  const options = { weekday: "short", ...day, hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: body.dataset.zone };
  return new Intl.DateTimeFormat(language(), options).format(new Date(at)).replaceAll(",", "");
}

function language() {
  const { lang } = document.documentElement;
  return lang === "en" ? "en-GB" : lang;
}

// How long ago, in words: "9 days ago".
function ago(at) {
  const hours = Math.round((Date.now() - new Date(at)) / HOUR_MS);
  const [count, unit] = hours < 48 ? [hours, "hour"] : [Math.round(hours / 24), "day"];
  return new Intl.RelativeTimeFormat(language(), { numeric: "always" }).format(-count, unit);
}

async function show() {
  const entries = (await self.unsent.all().catch(() => [])).filter((one) => one.state !== "form");
  const waiting = entries.filter((one) => one.state === "waiting").length;
  for (const told of document.querySelectorAll("[data-unsent]")) told.hidden = !waiting;
  box.hidden = entries.length === 0;
  unsentCount = entries.filter((one) => one.state !== "asked").length;
  if (!entries.length) return;
  const there = waiting + entries.filter((one) => one.state === "held").length;
  const head = there === 1 ? say.one : say.many.replace("{n}", there);
  title.textContent = there ? head : say.none;
  const reasons = [];
  if (waiting && outcome === "sign in") reasons.push(say.signIn);
  else if (waiting && outcome === "may not") reasons.push(say.mayNot);
  else if (waiting && outcome === "another") reasons.push(say.another.replace("{name}", [...new Set(entries.map((one) => one.by))].join(", ")));
  else if (waiting) reasons.push(say.away);
  if (waiting && worker === "none") reasons.push(say.noWorker);
  why.textContent = reasons.join(" ");
  signIn.hidden = !["sign in", "may not"].includes(outcome);
  asMine.hidden = outcome !== "another";
  const shown = entries.filter((one) => !one.by || body.dataset.reader); // to nobody in particular the number is enough
  const stand = JSON.stringify(shown.map(({ files, ...one }) => one));
  if (list.dataset.stand !== stand) list.replaceChildren(...shown.map(line)); // else what is being pressed stays
  list.dataset.stand = stand;
}

async function send(asWhoever = false) {
  clearTimeout(later);
  outcome = await self.unsent.send(asWhoever).catch(() => "away");
  await show();
  if (outcome === "sent") document.dispatchEvent(new Event("news"));
  if (outcome === "away") later = setTimeout(send, AGAIN_AFTER_MS);
}

// --- what is to be kept

const identities = new WeakMap(); // of forms, until what is in them is written

// Under which identity a form is sent next; a new one where none is given.
export function identify(form, identity = identities.get(form) || newKey()) {
  identities.set(form, identity);
  return identity;
}

export const written = (form) => identities.delete(form);

// What is corrected keeps its time to the millisecond while nobody touches the field, which shows the minute.
function keptTime(form) {
  return form.dataset.at && form.elements.at?.value === form.dataset.atShown ? form.dataset.at : "";
}

function onTheClock(at) {
  const options = { dateStyle: "short", timeStyle: "short", timeZone: body.dataset.zone };
  return new Intl.DateTimeFormat("sv-SE", options).format(new Date(at)).replace(" ", "T"); // as ISO 8601 has it
}

// The fields of a form, as the button that was pressed sends them.
export function sentBy(form, pressed) {
  const found = new FormData(form, pressed);
  found.set("sent_as", identify(form));
  if (keptTime(form)) found.set("at", keptTime(form));
  for (const [name, value] of [...found]) if (value instanceof File && !value.size) found.delete(name);
  return found;
}

function inWords(form, pressed) {
  const timed = keptTime(form) ? form.elements.at : null; // which the line begins with
  const isSaid = (one) => one !== timed && one.name && one.value && !/^(hidden|submit)$/.test(one.type) && (!/radio|checkbox/.test(one.type) || one.checked);
  const said = [...form.elements].filter(isSaid).map((one) => {
    const label = one.labels[0]?.textContent.trim() || "";
    if (/radio|checkbox/.test(one.type)) return label;
    if (one.type === "file") return one.files[0]?.name;
    const value = one.matches("select") ? one.selectedOptions[0].textContent : one.value;
    return `${label} ${value} ${one.parentElement.querySelector("i")?.textContent || ""}`.trim();
  });
  const title = pressed?.ariaLabel || form.querySelector("h2")?.textContent || form.dataset.title;
  return said.length ? `${title}: ${said.join(", ")}` : title;
}

// Keep a form as it is sent; resolves when it is on the disk, rejects where this browser keeps nothing.
export async function keepForm(form, sent, address, pressed) {
  const at = keptTime(form) || new Date().toISOString();
  const data = [...sent];
  const fields = data.filter(([name, value]) => name !== "csrf" && typeof value === "string");
  const timed = fields.find(([name]) => name === "at");
  if (!timed) fields.push(["at", at]);
  else if (!timed[1]) timed[1] = at; // it was now, and not when it is sent
  await self.unsent.keep({
    state: "form",
    sent_as: sent.get("sent_as"),
    action: new URL(address).pathname,
    fields,
    files: data.filter(([, value]) => value instanceof File && value.size).map(([name, value]) => [name, value, value.name]),
    by: body.dataset.reader || "",
    at,
    said: inWords(form, pressed),
    page: form.dataset.page || location.pathname + location.search,
    form: form.matches(".mark") ? "" : form.id, // in which it can be corrected
  });
}

// Send what was kept when there is signal, or somebody is signed in.
export async function goOn(identity) {
  await self.unsent.takeUp(identity);
  navigator.serviceWorker?.ready.then((found) => found.sync?.register("unsent")).catch(() => {});
  return send();
}

function putBack(form, field, value) {
  if (field.name === "at" && value.endsWith("Z")) {
    field.value = onTheClock(value);
    Object.assign(form.dataset, { at: value, atShown: field.value });
  } else {
    field.value = value;
  }
}

function putFilesBack(form, files) {
  for (const field of form.querySelectorAll("input[type=file]")) {
    const box = new DataTransfer();
    for (const [name, file] of files) if (name === field.name) box.items.add(file);
    field.files = box.files;
    field.dispatchEvent(new Event("change", { bubbles: true })); // it is shown again
  }
}

// What was not taken stands in its form again, under the same identity, with its time and its photograph.
async function fillIn() {
  const identity = sessionStorage.getItem("correct");
  const entry = identity && (await self.unsent.all()).find((one) => one.sent_as === identity);
  const form = entry && document.getElementById(entry.form);
  if (!form || !isOwn(entry)) return;
  sessionStorage.removeItem("correct");
  form.action = entry.action; // of what was to be changed then, though another stands in its place
  identify(form, identity);
  location.hash = `#${entry.form}`;
  putFilesBack(form, entry.files || []);
  for (const [name, value] of entry.fields) {
    for (const field of form.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
      if (field.type === "radio" || field.type === "checkbox") field.checked = field.value === value;
      else if (field.type !== "file" && name !== "confirmed") putBack(form, field, value);
      field.closest("details")?.setAttribute("open", "");
    }
  }
  form.dispatchEvent(new Event("input", { bubbles: true }));
  form.scrollIntoView();
}

// Who signs out is told first what the box does not have yet: nobody else sees what it is, or sends it unasked.
document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[action='/sign-out']");
  if (!form || !unsentCount || form.dataset.sure) return;
  event.preventDefault();
  form.dataset.sure = "yes";
  const told = unsentCount === 1 ? say.oneUnsent : say.manyUnsent.replace("{n}", unsentCount);
  form.querySelector("button").before(Object.assign(document.createElement("b"), { role: "alert", textContent: told }), " ");
});

// --- a page that was kept

function sayAge() {
  const { keptAt } = body.dataset;
  if (!keptAt) return;
  const old = Date.now() - new Date(keptAt);
  const time = old < DATED_MS ? when(keptAt) : `${when(keptAt)}, ${ago(keptAt)}`;
  const head = document.getElementById("head");
  const age = head.querySelector(".age") || head.appendChild(Object.assign(document.createElement("p"), { className: "age" }));
  age.replaceChildren(Object.assign(document.createElement("b"), { className: "act", textContent: say.asItWas.replace("{when}", time) }));
  if (old < OLD_MS || body.classList.contains("old")) return;
  body.classList.add("old");
  const was = (words) => say.was.replace("{what}", () => words.trim());
  for (const clause of document.querySelectorAll(VERDICTS)) {
    const name = [...clause.querySelectorAll(":scope > u, :scope > br")]; // of the place, which still is so
    for (const one of name) one.remove();
    clause.replaceChildren(...name, Object.assign(document.createElement("b"), { className: "v", textContent: say.cannotTell }), ` ${was(clause.textContent)}`);
  }
  for (const reason of document.querySelectorAll(REASONS)) reason.textContent = was(reason.textContent);
  for (const drawing of document.querySelectorAll(".slices svg[aria-label]")) drawing.ariaLabel = `${say.cannotTell}. ${was(drawing.ariaLabel)}`;
}

function begin() {
  if (worker === "none") return;
  navigator.serviceWorker.register("/sw.js").then(async (found) => {
    worker = "works";
    const places = [...document.querySelectorAll("#on option")].map((one) => `/diary?on=${encodeURIComponent(one.value)}`);
    await navigator.serviceWorker.ready;
    if (!body.dataset.keptAt) for (const place of places) await fetch(place, { headers: { Accept: "text/html" } }).catch(() => {});
    return found;
  }).catch(() => {
    worker = "none"; // in the clear, or a certificate that the browser does not trust
    show();
  });
}

box.setAttribute("aria-labelledby", title.id);
why.setAttribute("role", "status");
const marks = Object.assign(document.createElement("p"), { className: "marks" });
marks.append(sendNow, " ", asMine, " ", signIn);
box.append(title, why, list, marks);
self.addEventListener("unsent-changed", show);
self.unsent.channel?.addEventListener("message", show);
addEventListener("online", () => send());
document.addEventListener("visibilitychange", () => {
  if (document.hidden) return;
  sayAge();
  send();
});
sayAge();
setInterval(sayAge, AGES_MS);
begin();
document.addEventListener("DOMContentLoaded", () => fillIn()); // when the other scripts have made all its fields
self.unsent.takeUp().catch(() => {}).then(() => send());
