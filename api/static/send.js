// Sends a form without leaving the page. It is kept in the browser before it is sent, until it is known what became of
// it, and waits there with the others where there is no signal. Of a mark, a button of the work page and a booking it is
// said beside them; the diary says more of its own. Without this script the same forms lead through the server.
import { goOn, identify, keepForm, newKey, sentBy, written } from "/static/offline.js";
import { shrinkPhotos } from "/static/shrink.js";
import say from "/texts.js";

import "./undo.js";

const WAITED_FOR_MS = 6_000; // of a weak signal; then it waits with the others, and the form is free for the next
const WAITS = [401, 403, 408, 425, 429, 500, 502, 503, 504]; // for a sign-in, or for the box
const busy = new WeakSet();

function post(address, fields, within) {
  const isPlain = ![...fields.values()].some((value) => value instanceof File);
  const body = isPlain ? new URLSearchParams(fields) : fields;
  return fetch(address, { method: "POST", headers: { Accept: "application/json" }, body, signal: AbortSignal.timeout(within) });
}

// Send a form by the button that was pressed. Returns `waits` where it does, else the `answer` and what it `told`;
// neither where nothing answers and this browser keeps nothing.
export async function sent(form, pressed) {
  const [identity, fields] = [identify(form), sentBy(form, pressed)];
  const address = pressed?.hasAttribute("formaction") ? pressed.formAction : form.action;
  await shrinkPhotos(fields);
  const files = [...fields.values()].filter((value) => value instanceof File);
  const isKept = await keepForm(form, fields, address, pressed).then(() => true, () => false);
  const isNext = isKept && navigator.onLine && !(await self.unsent.isBehind(identity)); // in order, as it was written
  const answer = isKept && !isNext ? null : await post(address, fields, isKept ? WAITED_FOR_MS : self.unsent.patience(files)).catch(() => null);
  if (isKept && (!answer || WAITS.includes(answer.status))) {
    written(form);
    goOn(identity);
    return { waits: true };
  }
  if (!answer) return {};
  if (answer.status === 409) { // something else is written under this identity
    const fresh = newKey();
    identify(form, await self.unsent.hold({ sent_as: identity, status: 409 }, fresh).catch(() => fresh));
  }
  if (answer.ok) {
    written(form);
    await self.unsent.drop(identity).catch(() => {});
  }
  return { answer, told: await answer.json().catch(() => ({ detail: String(answer.status) })) };
}

// --- forms of which it is said beside them what became of them

function tell(form, text, isUnsent = false) {
  const told = form.closest(".marks")?.querySelector(".told") || document.querySelector("main .told");
  told.textContent = text;
  told.hidden = false;
  told.toggleAttribute("data-unsent", isUnsent);
}

async function press(form, pressed) {
  const { waits, answer, told } = await sent(form, pressed);
  if (waits) tell(form, `${say.unsent}. ${say.away}`, true);
  else if (!answer) tell(form, say.noAnswer);
  else if (!answer.ok) tell(form, say.refused.replace("{reason}", () => told.detail));
  else if ("leads" in form.dataset) return location.assign(told.at);
  else tell(form, told.questions.join(" ") || say.done);
  if (answer && !answer.ok && form.matches(".mark")) await self.unsent.drop(identify(form)).catch(() => {}); // told here
  if (!waits && !answer?.ok) return;
  form.reset();
  form.closest("details")?.removeAttribute("open");
  document.dispatchEvent(new Event("news"));
}

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form[data-waits]");
  const pressed = event.submitter;
  if (!form || (pressed?.formMethod || form.method) !== "post") return;
  event.preventDefault();
  if (busy.has(form)) return;
  busy.add(form);
  await press(form, pressed).finally(() => busy.delete(form));
});
