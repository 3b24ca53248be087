// What was written where there was no signal: kept in this browser until the server has it, sent in order, each under an
// identity of its own, so that one whose answer was lost is not written twice. Pages and their worker share this file.
self.unsent = (() => {
  const NAME = "underturf";
  const STORE = "unsent";
  const ANSWERS_WITHIN_MS = 60_000;
  const LEAST_BYTES_PER_MS = 5; // of a link that is worth waiting for: 40 kbit/s
  const BUSY = [408, 425, 429, 502, 503, 504]; // worth sending again as it is
  const FAILS = 500; // perhaps over this very entry: the others are not to wait for it for ever
  const MOST_FAILURES = 3;
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
  // where it stands among the others when it is kept again, and whose it was.
  async function keep(entry) {
    await within("readwrite", (store) => {
      const before = store.index("sent_as").get(entry.sent_as);
      before.onsuccess = () => {
        const known = before.result ? { n: before.result.n, by: before.result.by || entry.by } : {};
        store.put({ told: "", ...entry, ...known });
      };
    });
    told();
  }

  // Whether others of the same writer wait that were written before.
  async function isBehind(identity) {
    const entries = await all();
    const own = entries.find((one) => one.sent_as === identity);
    if (!own) return false; // somebody has discarded it meanwhile
    return entries.some((one) => one.state === "waiting" && one.by === own.by && one.n < own.n);
  }

  // What is kept under an identity becomes what `made` says of it, null for nothing; looked at and changed in one step.
  async function amend(identity, made) {
    await within("readwrite", (store) => {
      const found = store.index("sent_as").get(identity);
      found.onsuccess = () => {
        const after = found.result && made(found.result);
        if (after) store.put(after);
        else if (found.result) store.delete(found.result.n);
      };
    });
    told();
  }

  const drop = (identity) => amend(identity, () => null);

  // What became of an entry that was sent; one that was written anew meanwhile stays as it is.
  const settle = (entry, made) => amend(entry.sent_as, (now) => (String(now.fields) === String(entry.fields) ? made(now) : now));

  // Keep an entry back while it is corrected. Where something else is written under its identity it gets `fresh`, a new
  // one. Returns the identity under which it is kept.
  async function hold({ sent_as, status }, fresh) {
    const identity = status === 409 ? fresh : sent_as;
    await amend(sent_as, (now) => {
      if (status !== 409) return now.state === "waiting" ? { ...now, state: "held" } : now;
      const fields = now.fields.map(([name, value]) => [name, name === "sent_as" ? identity : value]);
      return { ...now, sent_as: identity, fields, state: "held", told: "", status: 0 };
    });
    return identity;
  }

  async function reader() {
    try {
      const answer = await fetch("/api/v1/me", { headers: { Accept: "application/json" }, signal: AbortSignal.timeout(ANSWERS_WITHIN_MS) });
      if (answer.status === 401 || answer.status === 403) return "sign in";
      if (!answer.ok) return "away";
      const me = await answer.json();
      return me.may_write ? me : "may not";
    } catch (reason) {
      return "away";
    }
  }

  // How long an answer to these files is waited for: the more there is to send, the longer.
  function patience(files) {
    return ANSWERS_WITHIN_MS + files.reduce((bytes, file) => bytes + file.size, 0) / LEAST_BYTES_PER_MS;
  }

  function post(entry, token) {
    const fields = [...entry.fields, ["csrf", token]];
    const body = entry.files?.length ? new FormData() : new URLSearchParams();
    for (const [name, value] of fields) body.append(name, value);
    for (const [name, file, called] of entry.files || []) body.append(name, file, called);
    return fetch(entry.action, {
      method: "POST", body, headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(patience((entry.files || []).map(([, file]) => file))),
    });
  }

  // One entry: "sent", "refused" (it stays, with what is wrong with it), "sign in" or "away" (all stay). Not to be allowed
  // is "forbidden", as the session may be another since; where it is the `last` try, refused.
  async function sent(entry, token, last) {
    let answer;
    try {
      answer = await post(entry, token);
    } catch (reason) {
      return "away";
    }
    if (answer.status === 401) return "sign in";
    if (answer.status === 403 && !last) return "forbidden";
    const failures = answer.status === FAILS ? (entry.failures || 0) + 1 : 0;
    if (failures && failures < MOST_FAILURES) await settle(entry, (now) => ({ ...now, failures }));
    if (BUSY.includes(answer.status) || (failures && failures < MOST_FAILURES)) return "away";
    const said = await answer.json().catch(() => ({}));
    if (answer.ok) {
      const questions = Array.isArray(said.questions) ? said.questions.join(" ") : "";
      await settle(entry, (now) => (questions ? { ...now, files: [], state: "asked", told: questions } : null));
      return "sent";
    }
    const words = failures ? "" : said.lift || said.detail || String(answer.status);
    const { status } = answer;
    const leads = said.action ? { action: said.action, page: said.page } : {}; // it is a new entry from now on
    await settle(entry, (now) => ({ ...now, state: "refused", told: words, confirms: said.confirms || "", status, failures: 0, ...leads }));
    return "refused";
  }

  async function sendAll(asWhoever, last = false) {
    if (!(await all()).some((one) => one.state === "waiting")) return "nothing";
    const me = await reader();
    if (typeof me === "string") return me;
    let outcome = "sent";
    for (const { sent_as } of await all()) {
      const entry = await within("readonly", (store) => store.index("sent_as").get(sent_as));
      if (entry?.state !== "waiting") continue; // it may be held or discarded by now
      if (entry.by && me.name && entry.by !== me.name && !asWhoever) {
        outcome = "another";
        continue;
      }
      const one = await sent(entry, me.form_token, last);
      if (one === "forbidden") return sendAll(asWhoever, true);
      if (one === "away" || one === "sign in") return one;
    }
    return outcome;
  }

  // Send what waits, one sender at a time. With `asWhoever` also what somebody else wrote on this phone.
  function send(asWhoever = false) {
    const locks = self.navigator.locks; // not there in the clear; a repeat is written once all the same
    return locks ? locks.request(NAME, () => sendAll(asWhoever)) : sendAll(asWhoever);
  }

  // What a form was at when its page went is known to nobody: it is sent again, and is written once. By its identity also
  // what is held, or was not taken.
  async function takeUp(identity) {
    const taken = identity ? ["form", "held", "refused"] : ["form"];
    for (const { sent_as, state } of await all()) {
      if (!taken.includes(state) || (identity && sent_as !== identity)) continue;
      await amend(sent_as, (now) => (taken.includes(now.state) ? { ...now, state: "waiting", told: "" } : now));
    }
  }

  return { all, keep, isBehind, drop, hold, takeUp, send, patience, FAILS, channel };
})();
