// The buttons beside an alert: what somebody makes of it goes to the data interface as JSON. Without this script they are
// not shown, for a plain form cannot send what is asked for.
document.documentElement.classList.add("scripted");

function tell(form, text) {
  const told = form.closest(".marks").querySelector(".told");
  told.textContent = text;
  told.hidden = false;
}

async function send(form) {
  const mark = { mark: form.dataset.mark };
  if (form.dataset.until) mark.until = form.dataset.until;
  if (form.elements.why) mark.why = form.elements.why.value;
  let answer;
  try {
    answer = await fetch(form.action, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(mark),
    });
  } catch (reason) {
    tell(form, "The service does not answer. Nothing was noted.");
    return;
  }
  if (answer.ok) {
    tell(form, "Noted.");
    form.closest("details")?.removeAttribute("open");
    document.activeElement?.blur();
    document.dispatchEvent(new Event("news"));
    return;
  }
  const problem = await answer.json().catch(() => ({ detail: `answer ${answer.status}` }));
  tell(form, `Nothing was noted: ${problem.detail}`);
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form.mark");
  if (!form) return;
  event.preventDefault();
  send(form);
});
