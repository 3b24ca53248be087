// What was just written can be taken back for a while without leaving the page; then the button goes. Without this script
// the same form leads through the server and back.
const FOR_MS = 20_000;
const seen = new WeakSet();

function expire() {
  for (const form of document.querySelectorAll("form.undo")) {
    if (seen.has(form)) continue;
    seen.add(form);
    setTimeout(() => form.remove(), FOR_MS);
  }
}

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form.undo");
  if (!form) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form));
  const answer = await fetch(form.action, { method: "POST", headers: { Accept: "application/json" }, body }).catch(() => null);
  if (!answer || !answer.ok) return form.submit(); // the server says why
  form.remove();
  document.dispatchEvent(new Event("news"));
});
document.addEventListener("changed", expire);
expire();
