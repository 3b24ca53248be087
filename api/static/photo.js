// A photograph beside a form: shown as soon as it is taken, and on a core measured. Two touches on the ruler in it say how
// long a millimetre is, two on the thatch how thick it is; that goes into the field of the thickness, where it is looked
// at and changed as any other. Without this script the photograph is sent all the same.
import { shrunk } from "/static/shrink.js";
import say from "/texts.js";

const STEPS = 4;
const mm = Number(document.querySelector(".diary").dataset.mm); // of a unit of the forms
const USUAL = mm === 1 ? "50" : "2"; // between two marks
const DECIMALS = mm === 1 ? 0 : 2;

function made(tag, facts, ...children) {
  const element = Object.assign(document.createElement(tag), facts);
  element.append(...children);
  return element;
}

function measures(form) {
  const box = form.querySelector(".photo");
  if (!box) return;
  const input = box.querySelector("input");
  const field = form.elements.thatch_mm; // of a core alone
  const image = made("img", { alt: say.chosen });
  const marks = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const picture = made("div", { className: "picture", hidden: true }, image, marks);
  const asked = made("p", {});
  const known = made("input", { inputMode: "decimal", size: 4, value: USUAL });
  const again = made("button", { type: "button", textContent: say.touchAgain });
  const measure = made("div", { className: "measure", hidden: true }, asked, made("label", {}, `${say.between} `, known), " ", again);
  const tick = made("label", { className: "tick", hidden: true }, made("input", { type: "checkbox", name: "photo_place" }), ` ${say.keepPlace}`);
  let taps = [];
  asked.setAttribute("role", "status");
  marks.setAttribute("aria-hidden", "true");
  box.append(picture, measure, tick);

  function draw() {
    marks.setAttribute("viewBox", `0 0 ${picture.clientWidth} ${picture.clientHeight}`);
    const at = ({ x, y }) => [x * picture.clientWidth, y * picture.clientHeight];
    const lines = [taps.slice(0, 2), taps.slice(2)].filter((pair) => pair.length === 2).map(([a, b]) => `<path d="M${at(a)}L${at(b)}"/>`);
    marks.innerHTML = lines.join("") + taps.map((one) => `<circle cx="${at(one)[0]}" cy="${at(one)[1]}" r="9"/>`).join("");
  }
  function long([a, b]) {
    return Math.hypot((a.x - b.x) * image.naturalWidth, (a.y - b.y) * image.naturalHeight);
  }
  function tell() {
    asked.textContent = [say.ruler, say.rulerTo, say.top, say.foot][taps.length] || "";
    if (taps.length < STEPS) return;
    const unit = long(taps.slice(0, 2)) / Number(known.value.replace(",", "."));
    const found = long(taps.slice(2)) / unit;
    if (!Number.isFinite(found) || found <= 0) {
      asked.textContent = say.noThickness;
      return;
    }
    field.value = String(Number(found.toFixed(DECIMALS)));
    field.dispatchEvent(new Event("input", { bubbles: true }));
    asked.textContent = say.found.replace("{found}", field.value);
  }
  function begin() {
    taps = [];
    draw();
    tell();
  }
  input.addEventListener("change", () => {
    URL.revokeObjectURL(image.src);
    const [file] = input.files;
    picture.hidden = tick.hidden = !file;
    measure.hidden = !file || !field;
    if (file) {
      image.src = URL.createObjectURL(file);
      shrunk(file);
    }
    begin();
  });
  form.addEventListener("reset", () => setTimeout(() => input.dispatchEvent(new Event("change"))));
  picture.addEventListener("click", (event) => {
    if (!field) return;
    const frame = picture.getBoundingClientRect();
    if (taps.length === STEPS) taps = [];
    taps.push({ x: (event.clientX - frame.left) / frame.width, y: (event.clientY - frame.top) / frame.height });
    draw();
    tell();
  });
  known.addEventListener("input", tell);
  again.addEventListener("click", begin);
}

for (const form of document.querySelectorAll("form.entry")) measures(form);
