// The buttons beside an alert: what somebody makes of it goes to the data interface, and the page stays where it is.
// Without this script the same forms lead through the server and back.
import "./undo.js";

function tell(form, which, reason) {
  const told = form.closest(".marks").querySelector(".told");
  told.textContent = told.dataset[which].replace("{reason}", () => reason);
  told.hidden = false;
}

async function send(form) {
  const { back, csrf, ...mark } = Object.fromEntries(new FormData(form));
  let answer;
  try {
    answer = await fetch(`/api/v1${new URL(form.action).pathname}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(mark),
    });
  } catch (reason) {
    tell(form, "sayAway");
    return;
  }
  if (answer.ok) {
    tell(form, "sayNoted");
    form.reset();
    form.closest("details")?.removeAttribute("open");
    document.dispatchEvent(new Event("news"));
    return;
  }
  const problem = await answer.json().catch(() => ({ detail: `${answer.status}` }));
  tell(form, "sayRefused", problem.detail);
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form.mark");
  if (!form) return;
  event.preventDefault();
  send(form);
});
