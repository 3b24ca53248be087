// What was written where there was no signal: kept in this browser until the server has it, sent in order, each under an
// identity of its own, so that one whose answer was lost is not written twice. Pages and their worker share this file.
self.unsent = (() => {
  const NAME = "underturf";
  const STORE = "unsent";
  const ANSWERS_WITHIN_MS = 60_000;
  const BUSY = [408, 425, 429, 500, 502, 503, 504]; // worth sending again as it is
  const channel = "BroadcastChannel" in self ? new BroadcastChannel(NAME) : null;

  function opened() {
    return new Promise((resolve, reject) => {
      const request = indexedDB.open(NAME, 1);
      request.onupgradeneeded = () => {
        const store = request.result.createObjectStore(STORE, { keyPath: "n", autoIncrement: true });
        store.createIndex("sent_as", "sent_as", { unique: true });
      };
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  async function within(mode, work) {
    const base = await opened();
    try {
      return await new Promise((resolve, reject) => {
        const change = base.transaction(STORE, mode, { durability: "strict" }); // on the disk, not only on its way there
        const found = work(change.objectStore(STORE));
        change.oncomplete = () => resolve(found?.result);
        change.onabort = () => reject(change.error);
      });
    } finally {
      base.close();
    }
  }

  function told() {
    channel?.postMessage("changed");
    self.dispatchEvent(new Event("unsent-changed"));
  }

  const all = () => within("readonly", (store) => store.getAll()); // in the order in which they were kept

  // An entry: its identity, the address it goes to, fields and files as pairs, and how it is told in a line. It stays
  // where it stands among the others when it is kept again.
  async function keep(entry) {
    await within("readwrite", (store) => {
      const before = store.index("sent_as").getKey(entry.sent_as);
      before.onsuccess = () => {
        const known = before.result === undefined ? {} : { n: before.result };
        store.put({ told: "", ...entry, ...known });
      };
    });
    told();
  }

  async function drop(identity) {
    await within("readwrite", (store) => {
      const found = store.index("sent_as").getKey(identity);
      found.onsuccess = () => { if (found.result !== undefined) store.delete(found.result); };
    });
    told();
  }

  async function note(entry, state, words, more = {}) {
    await within("readwrite", (store) => { store.put({ ...entry, state, told: words, ...more }); });
    told();
  }

  async function reader() {
    try {
      const answer = await fetch("/api/v1/me", { headers: { Accept: "application/json" }, signal: AbortSignal.timeout(ANSWERS_WITHIN_MS) });
      if (answer.status === 401 || answer.status === 403) return "sign in";
      return answer.ok ? await answer.json() : "away";
    } catch (reason) {
      return "away";
    }
  }

  function post(entry, token) {
    const fields = [...entry.fields, ["csrf", token]];
    const body = entry.files?.length ? new FormData() : new URLSearchParams();
    for (const [name, value] of fields) body.append(name, value);
    for (const [name, file, called] of entry.files || []) body.append(name, file, called);
    return fetch(entry.action, {
      method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(ANSWERS_WITHIN_MS),
    });
  }

  // One entry: "sent", "refused" (it stays, with what is wrong with it), "sign in" or "away" (all stay).
  async function sent(entry, token) {
    let answer;
    try {
      answer = await post(entry, token);
    } catch (reason) {
      return "away";
    }
    if (answer.status === 401 || answer.status === 403) return "sign in";
    if (BUSY.includes(answer.status)) return "away";
    const said = await answer.json().catch(() => ({}));
    if (answer.ok) {
      const questions = Array.isArray(said.questions) ? said.questions.join(" ") : "";
      if (questions) await note({ ...entry, files: [] }, "asked", questions);
      else await drop(entry.sent_as);
      return "sent";
    }
    const words = said.lift || said.detail || String(answer.status);
    await note(entry, "refused", words, { confirms: said.confirms || "", status: answer.status });
    return "refused";
  }

  async function sendAll(asWhoever) {
    if (!(await all()).some((one) => one.state === "waiting")) return "nothing";
    const me = await reader();
    if (typeof me === "string") return me;
    let outcome = "sent";
    for (const entry of await all()) {
      if (entry.state !== "waiting") continue;
      if (entry.by && me.name && entry.by !== me.name && !asWhoever) {
        outcome = "another";
        continue;
      }
      const one = await sent(entry, me.form_token);
      if (one === "away" || one === "sign in") return one;
    }
    return outcome;
  }

  // Send what waits, one sender at a time. With `asWhoever` also what somebody else wrote on this phone.
  function send(asWhoever = false) {
    const locks = self.navigator.locks; // not there in the clear; a repeat is written once all the same
    return locks ? locks.request(NAME, () => sendAll(asWhoever)) : sendAll(asWhoever);
  }

  // What a form was at when its page went is known to nobody: it is sent again, and is written once.
  async function takeUp(identity) {
    for (const entry of await all()) {
      if (entry.state === "form" && (!identity || entry.sent_as === identity)) await note(entry, "waiting", "");
    }
  }

  return { all, keep, drop, takeUp, send, channel };
})();
