// What was just written can be taken back for a while without leaving the page; then the button goes. Without this script
// the same form leads through the server and back.
import say from "/texts.js";

const FOR_MS = 20_000;
const seen = new WeakSet();

function expire() {
  for (const form of document.querySelectorAll("form.undo")) {
    if (seen.has(form)) continue;
    seen.add(form);
    setTimeout(() => { if (!("failed" in form.dataset)) form.remove(); }, FOR_MS);
  }
}

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form.undo");
  if (!form) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form));
  const answer = await fetch(form.action, { method: "POST", headers: { Accept: "application/json" }, body }).catch(() => null);
  if (!answer) {
    if (!("failed" in form.dataset)) form.append(" ", Object.assign(document.createElement("b"), { role: "alert", textContent: say.notBack }));
    form.dataset.failed = ""; // it stays until it is taken back
    return;
  }
  if (!answer.ok) return form.submit(); // the server says why
  form.remove();
  document.dispatchEvent(new Event("news"));
});
document.addEventListener("changed", expire);
expire();
