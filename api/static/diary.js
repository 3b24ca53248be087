// The forms of the diary without leaving the page: a press adds a step, the core is pulled on its ruler, a pass asks at
// once what stands in its way, and what was written can be taken back for a while. Without this script the same forms
// lead through the server.
import { sent } from "./send.js";
import say from "/texts.js";

const ASK_AFTER_MS = 300;
const root = document.querySelector(".diary");
const forms = [...document.querySelectorAll("form.entry")];
const decimals = (text) => (text.split(".")[1] || "").length;

// --- steps and ruler

function named() {
  for (const button of document.querySelectorAll("button[data-by]")) {
    const field = button.parentElement.querySelector("label").textContent;
    button.ariaLabel = (Number(button.dataset.by) < 0 ? say.less : say.more).replace("{field}", () => field);
  }
}

function nudge(button) {
  const field = button.parentElement.querySelector("input");
  const by = Number(button.dataset.by);
  const now = Number(field.value.replace(",", "."));
  const next = field.value.trim() === "" || Number.isNaN(now) ? Number(field.dataset.begin) : Math.max(0, now + by);
  field.value = String(Number(next.toFixed(Math.max(decimals(button.dataset.by), decimals(field.value)))));
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

function ruled(form) {
  const svg = form.querySelector(".corebox svg");
  if (!svg) return;
  const mm = Number(root.dataset.mm);
  const { head, scale } = { head: Number(svg.dataset.head), scale: Number(svg.dataset.scale) * mm };
  const field = { thatch: form.elements.thatch_mm, roots: form.elements.root_mm };
  const depth = (name) => Number(field[name].value.replace(",", ".")) || 0;
  const part = (name) => svg.querySelector(`[data-draw="${name}"]`);
  const y = (name) => Math.min(head + depth(name) * scale, 234);
  const most = (234 - head) / scale;
  const stepOf = (name) => field[name].parentElement.querySelector("button:last-of-type").dataset.by;
  let held = null;

  function draw() {
    const box = `M36 ${head}H146V${y("thatch")}H36Z`;
    part("thatch").innerHTML = `<path d="${box}" fill="var(--thatch)"/><path d="${box}" fill="url(#hatch)"/>`;
    part("edge").setAttribute("d", `M32 ${y("thatch")}H150`);
    part("ends").setAttribute("d", depth("roots") ? `M32 ${y("roots")}H150` : "");
    const long = y("roots") - head;
    part("roots").setAttribute("d", depth("roots") ? [0, 1, 2, 3, 4, 5, 6, 7].map((i) => `M${44 + i * 13} ${head}q5 ${long * 0.3} 0 ${long * 0.5}t${i % 2 ? 2 : -2} ${long * (i % 3 === 1 ? 0.5 : 0.3)}`).join("") : "");
  }
  function pull(event) {
    const box = svg.getBoundingClientRect();
    const at = ((event.clientY - box.top) / box.height) * svg.viewBox.baseVal.height;
    const value = Math.max(0, Math.min(most, (at - head) / scale));
    held ??= Math.abs(value - depth("thatch")) <= Math.abs(value - (depth("roots") || most)) ? "thatch" : "roots";
    const step = stepOf(held);
    field[held].value = String(Number((Math.round(value / Number(step)) * Number(step)).toFixed(decimals(step))));
    draw();
  }
  svg.closest(".corebox").classList.add("drawn");
  svg.addEventListener("pointerdown", (event) => {
    event.preventDefault(); // nothing is marked or dragged away
    svg.setPointerCapture(event.pointerId);
    pull(event);
  });
  svg.addEventListener("pointermove", (event) => { if (held) pull(event); });
  for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => { held = null; });
  form.addEventListener("input", draw);
  form.addEventListener("reset", () => setTimeout(draw));
  document.addEventListener("changed", draw);
  draw();
}

// --- a pass: how deep it went last, and what stands in its way

function passed(form) {
  const way = form.querySelector(".way");
  let later;
  async function ask() {
    const what = form.querySelector("[name=what]:checked");
    if (!way || !what || what.value.startsWith("booked-")) return;
    const [kind, variant] = what.value.split(".");
    const query = new URLSearchParams({ pass: kind, at: new Date().toISOString() });
    if (variant) query.set("variant", variant);
    const depth = Number(form.elements.depth_mm.value.replace(",", "."));
    if (depth) query.set("depth_mm", depth * Number(root.dataset.mm));
    const answer = await fetch(`/api/v1/surfaces/${form.elements.surface.value}/judgement?${query}`).catch(() => null);
    if (!answer || !answer.ok) return;
    const { lift } = await answer.json();
    way.hidden = !lift;
    if (lift) way.querySelector("legend").innerHTML = "<b></b>";
    if (lift) way.querySelector("b").textContent = lift;
  }
  form.addEventListener("change", (event) => {
    if (event.target.name !== "what") return;
    form.elements.depth_mm.value = event.target.dataset.depth || "";
    ask();
  });
  form.addEventListener("input", () => { clearTimeout(later); later = setTimeout(ask, ASK_AFTER_MS); });
}

// --- writing

function clear(form) {
  form.querySelectorAll(".fault").forEach((one) => one.remove());
  form.querySelectorAll("[aria-invalid]").forEach((one) => one.removeAttribute("aria-invalid"));
}

function beside(form, key, text) {
  const place = key ? form.querySelector(`[name="${key}"]`)?.closest(".step,.line,fieldset") : null;
  const line = document.createElement("p");
  line.className = "fault";
  line.id = `${form.id}-${key}-told`;
  line.setAttribute("role", "alert");
  line.append(Object.assign(document.createElement("b"), { textContent: text.slice(0, 1).toUpperCase() + text.slice(1) }));
  if (place) {
    place.closest("details")?.setAttribute("open", "");
    place.querySelector("input")?.setAttribute("aria-describedby", line.id);
    place.append(line);
  } else {
    form.querySelector("h2").after(line);
  }
  return place ? place.querySelector("input") : line;
}

function tell(form, problem) {
  form.dataset.keep = ""; // what is said here stays until it is answered
  const told = Object.entries({ ...problem.questions, ...problem.faults, ...(problem.lift ? { probes: problem.lift } : {}) });
  const fields = told.map(([key, text]) => {
    if (key === "probes") form.querySelector(".way").hidden = false;
    return beside(form, key, text);
  });
  if (problem.action) { // what was to be changed is not there: it is a new entry from now on
    form.action = problem.action;
    form.dataset.page = problem.page;
  }
  form.elements.confirmed.value = problem.confirms;
  const asked = problem.confirms && !Object.keys(problem.faults).length && !problem.lift;
  const button = form.querySelector(".ok");
  button.dataset.was ??= button.textContent;
  button.textContent = asked ? say.right : button.dataset.was;
  (asked ? button : fields[0])?.focus();
}

function unconfirmed(form) {
  const button = form.querySelector(".ok");
  if (button.dataset.was) button.textContent = button.dataset.was;
  form.elements.confirmed.value = "";
}

function fresh(form) {
  clear(form);
  form.reset();
  for (const name of ["keep", "at", "atShown"]) delete form.dataset[name];
  unconfirmed(form);
}

function offerUndo(form, told) {
  const undo = document.createElement("form");
  undo.className = "undo";
  undo.method = "post";
  undo.action = "/diary/undone";
  for (const [name, value] of [["entries", told.entries], ["csrf", form.elements.csrf?.value || ""], ["back", location.pathname + location.search]]) {
    undo.append(Object.assign(document.createElement("input"), { type: "hidden", name, value }));
  }
  undo.append(Object.assign(document.createElement("span"), { textContent: [told.said, ...told.questions].join(" ") }));
  undo.append(Object.assign(document.createElement("button"), { textContent: say.undo }));
  document.getElementById("undo").replaceChildren(undo);
}

async function send(form) {
  const { waits, answer, told } = await sent(form);
  clear(form);
  if (waits) return fresh(form);
  if (!answer) return beside(form, "", say.nothingWritten).scrollIntoView({ block: "nearest" });
  if (answer.status === 401 || answer.status === 403) return form.submit(); // the server keeps it through the sign-in
  if (answer.status === 422 && told.questions) return tell(form, told);
  if (!answer.ok) return beside(form, "", told.detail).scrollIntoView({ block: "nearest" });
  fresh(form);
  if (form.classList.contains("changes")) return location.assign(told.at);
  location.replace("#pick");
  offerUndo(form, told);
  document.dispatchEvent(new Event("news"));
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-by]");
  if (button) nudge(button);
});
document.addEventListener("submit", (event) => {
  const form = event.target.closest("form.entry");
  if (!form) return;
  event.preventDefault();
  send(form);
});
document.getElementById("on")?.addEventListener("change", (event) => {
  location.assign(`/diary?on=${encodeURIComponent(event.target.value)}${location.hash}`);
});
document.addEventListener("changed", named);
named();
for (const form of forms) {
  form.addEventListener("input", () => unconfirmed(form));
  ruled(form);
  if (form.id === "pass") passed(form);
}
