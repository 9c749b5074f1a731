// Countdown, forms and photos that outlive a cut connection, a reload or a sleeping phone. Without it the page still works.
"use strict";
(() => {
  const WAITING = "pooleye.waiting.", DRAFT = "pooleye.draft.", REMINDED = "pooleye.reminded.";
  const PIECE = 256 * 1024, RETRY_MS = [1000, 2000, 4000, 8000, 15000, 30000], REFRESH_MS = 20000;
  const root = document.documentElement;
  let ahead = Number(root.dataset.now) - Date.now() / 1000;  // the computer's clock less the phone's
  const now = () => Date.now() / 1000 + ahead;
  const all = (what, within = document) => [...within.querySelectorAll(what)];

  // --- the phone's own memory; a full or forbidden one must not stop the work ------------------------------------------
  const memory = {
    get(key) { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } },
    set(key, value) { try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* kept in the page alone */ } },
    drop(key) { try { localStorage.removeItem(key); } catch { /* nothing was kept */ } },
    keys(start) { try { return Object.keys(localStorage).filter((key) => key.startsWith(start)); } catch { return []; } },
  };
  const shelf = {  // photos: too large for localStorage
    open() {
      return new Promise((done, failed) => {
        const ask = indexedDB.open("pooleye", 1);
        ask.onupgradeneeded = () => ask.result.createObjectStore("photos", { keyPath: "key" });
        ask.onsuccess = () => done(ask.result);
        ask.onerror = () => failed(ask.error);
      });
    },
    async use(mode, work) {
      const db = await this.open();
      try {
        return await new Promise((done, failed) => {
          const step = db.transaction("photos", mode);
          const ask = work(step.objectStore("photos"));
          step.oncomplete = () => done(ask.result);
          step.onerror = step.onabort = () => failed(step.error);
        });
      } finally { db.close(); }
    },
    put(photo) { return this.use("readwrite", (store) => store.put(photo)); },
    drop(key) { return this.use("readwrite", (store) => store.delete(key)).catch(() => {}); },
    all() { return this.use("readonly", (store) => store.getAll()).catch(() => []); },
  };
  const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
  const pause = (ms) => new Promise((done) => {
    const woken = () => { clearTimeout(timer); removeEventListener("online", woken); document.removeEventListener("visibilitychange", woken); done(); };
    const timer = setTimeout(woken, ms);
    addEventListener("online", woken);
    document.addEventListener("visibilitychange", woken);
  });

  // --- what is still under way -----------------------------------------------------------------------------------------
  const under_way = new Map();
  function say(key, text, share) {
    if (text === null) under_way.delete(key); else under_way.set(key, { text, share });
    const box = document.getElementById("waiting");
    box.replaceChildren(...[...under_way.values()].map((one) => {
      const line = document.createElement("p");
      line.textContent = one.text;
      if (one.share !== undefined) {
        const bar = document.createElement("progress");
        bar.max = 1; bar.value = one.share; bar.setAttribute("aria-label", one.text);
        line.append(bar);
      }
      return line;
    }));
  }

  // Answer of the server, or null where none came and the same can be sent again.
  async function ask(url, options) {
    try {
      const answer = await fetch(url, { credentials: "same-origin", ...options });
      return answer.status > 500 ? null : answer;
    } catch { return null; }
  }

  function show(html, url) {
    const page = new DOMParser().parseFromString(html, "text/html");
    document.getElementById("main").replaceWith(page.getElementById("main"));
    if (url) history.replaceState(null, "", url);
    prepare();
    const wrong = document.querySelector(".box.wrong");
    if (wrong) wrong.scrollIntoView({ block: "center" });
  }
  const toPair = () => location.assign("/pair?to=" + encodeURIComponent(location.pathname));
  const busyTyping = () => document.activeElement && document.activeElement.matches("textarea, input:not([type=file], [type=radio])");

  // --- forms -----------------------------------------------------------------------------------------------------------
  function fieldsOf(form, submitter) {
    const fields = [...new FormData(form)].filter(([, value]) => typeof value === "string");
    if (submitter && submitter.name) fields.push([submitter.name, submitter.value]);
    return fields;
  }

  const sending = new Set();
  async function send(key) {
    if (sending.has(key)) return;
    sending.add(key);
    try {
      for (let turn = 0; ; turn += 1) {
        const kept = memory.get(WAITING + key);
        if (!kept) return;
        const body = new URLSearchParams(kept.fields);
        body.set("age_s", String((Date.now() - kept.at) / 1000));
        const answer = await ask(kept.action, { method: "POST", body, headers: { Accept: "text/html" } });
        if (answer === null) {
          say(key, "Not sent yet: no connection to the computer. It is kept on this phone and sent again by itself.");
          await pause(RETRY_MS[Math.min(turn, RETRY_MS.length - 1)]);
          continue;
        }
        if (answer.status === 401) return toPair();
        memory.drop(WAITING + key);
        say(key, null);
        if (answer.ok) {
          if (kept.draft) memory.drop(DRAFT + kept.draft);
          if (kept.page === location.pathname && !busyTyping()) location.assign(answer.url);
        } else if (kept.page === location.pathname) show(await answer.text());
        else say(key, "One form was refused: open " + kept.page + " and send it again.");
        return;
      }
    } finally { sending.delete(key); }
  }

  function keepAndSend(form, submitter) {
    const fields = fieldsOf(form, submitter);
    const key = fields.find(([name]) => name === "key")[1];
    memory.set(WAITING + key, {
      action: form.getAttribute("action"), fields, at: Date.now(), draft: form.dataset.draft, page: location.pathname,
    });
    if (!memory.get(WAITING + key)) return false;  // no memory: send as any form does
    document.activeElement?.blur();
    say(key, "Sending …");
    send(key);
    return true;
  }

  function prepareForm(form) {
    form.addEventListener("submit", (event) => { if (keepAndSend(form, event.submitter)) event.preventDefault(); });
    const name = form.dataset.draft;
    if (!name) return;
    const typed = all("input:not([type=hidden], [type=file]), select, textarea", form);
    const draft = memory.get(DRAFT + name);
    if (draft) {
      for (const field of typed) {
        if (!(field.name in draft)) continue;
        if (field.type === "radio") field.checked = draft[field.name] === field.value;
        else if (field.value === "" || field.tagName === "SELECT") field.value = draft[field.name];
      }
      if (typed.some((one) => one.tagName !== "SELECT" && one.type !== "radio" && one.value)) form.closest("details")?.setAttribute("open", "");
    }
    form.addEventListener("input", () => {
      const draft_now = {};
      for (const field of typed) if (field.type !== "radio" || field.checked) draft_now[field.name] = field.value;
      memory.set(DRAFT + name, draft_now);
    });
  }

  // --- photos ----------------------------------------------------------------------------------------------------------
  async function upload(photo) {
    if (sending.has(photo.key)) return;
    sending.add(photo.key);
    try {
      for (let turn = 0; ; turn += 1) {
        const outcome = await tryUpload(photo);
        if (outcome) return outcome();
        say(photo.key, "Photo not sent yet: no connection to the computer. It is kept on this phone and sent on by itself.");
        await pause(RETRY_MS[Math.min(turn, RETRY_MS.length - 1)]);
      }
    } finally { sending.delete(photo.key); }
  }

  // null: try again later. Else what to do now that the server has answered.
  async function tryUpload(photo) {
    const there = await ask("/upload/" + photo.key, {});
    if (there === null) return null;
    if (there.status === 401) return toPair;
    let offset = there.ok ? Number(await there.text()) : 0;
    while (offset < photo.bytes.byteLength) {
      say(photo.key, "Sending the photo", offset / photo.bytes.byteLength);
      const piece = photo.bytes.slice(offset, offset + PIECE);
      const answer = await ask(`/upload/${photo.key}?offset=${offset}`, { method: "PUT", body: piece });
      if (answer === null) return null;
      if (answer.status === 409 || answer.ok) offset = Number(await answer.text());
      else return refused(photo, answer);
    }
    say(photo.key, "Measuring …");
    const body = new URLSearchParams({
      upload: photo.key, size: photo.bytes.byteLength, code: photo.code, instead: photo.instead, age_s: (Date.now() - photo.at) / 1000,
    });
    const answer = await ask("/photo", { method: "POST", body, headers: { Accept: "text/html" } });
    if (answer === null || answer.status === 409) return null;
    if (answer.status === 401) return toPair;
    if (!answer.ok) return refused(photo, answer);
    return async () => {
      await shelf.drop(photo.key);
      say(photo.key, null);
      if (photo.page === location.pathname && !busyTyping()) location.assign(answer.url);
      else offer(photo.key, answer.url);
    };
  }

  function offer(key, url) {
    say(key, "The photo is measured.");
    const link = document.createElement("a");
    link.href = url; link.className = "button"; link.textContent = "See it";
    document.getElementById("waiting").append(link);
    under_way.delete(key);
  }

  function refused(photo, answer) {
    return async () => {
      await shelf.drop(photo.key);
      say(photo.key, null);
      show(await answer.text());
    };
  }

  async function take(form, file) {
    const value = (name) => form.querySelector(`[name=${name}]`).value;
    const photo = {
      key: newKey(), code: value("code"), instead: value("instead"), at: Date.now(), page: location.pathname, bytes: await file.arrayBuffer(),
    };
    try { await shelf.put(photo); } catch { say(photo.key, "This phone keeps no photos: stay on this page until it is sent."); }
    upload(photo);
  }

  function preparePhoto(form) {
    const input = form.querySelector("input[type=file]");
    const flag = REMINDED + form.dataset.burn;
    input.addEventListener("click", (event) => {
      if (form.dataset.lit === undefined || memory.get(flag)) return;
      event.preventDefault();
      const dialog = document.getElementById("reminder");
      document.getElementById("reminder-go").onclick = () => { memory.set(flag, true); dialog.close(); input.click(); };
      document.getElementById("reminder-no").onclick = () => dialog.close();
      dialog.showModal();
    });
    input.addEventListener("change", () => { if (input.files.length) { take(form, input.files[0]); input.value = ""; } });
  }

  // --- the clock, and what others have done meanwhile ------------------------------------------------------------------
  const saidMinutes = (m) => (m < 60 ? `${m} min` : `${Math.floor(m / 60)} h ${String(m % 60).padStart(2, "0")}`);
  function tick() {
    for (const one of all("[data-since]")) one.textContent = saidMinutes(Math.max(0, Math.round((now() - one.dataset.since) / 60)));
    for (const one of all("[data-until]")) {
      const left = (one.dataset.until - now()) / 60;
      const late = left < -1;
      one.textContent = late ? `${saidMinutes(Math.round(-left))} overdue` : left <= 0.5 ? "now" : `in ${saidMinutes(Math.round(left))}`;
      one.parentElement.classList.toggle("late", late);
      one.closest(".candle")?.classList.toggle("late", all(".count.late", one.closest(".candle")).length > 0);
    }
  }

  async function refresh() {
    if (document.hidden || !document.getElementById("live") || document.querySelector("dialog[open]")) return;
    const answer = await ask("/", { headers: { Accept: "text/html" } });
    if (answer === null || !answer.ok || new URL(answer.url).pathname !== "/") return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("live"), old = document.getElementById("live");
    ahead = Number(page.documentElement.dataset.now) - Date.now() / 1000;
    if (!fresh || !old || old.contains(document.activeElement)) return;
    old.replaceWith(fresh);
    prepare();
  }

  function prepare() {
    for (const form of all("form[data-once]:not([data-ready])")) { form.dataset.ready = ""; prepareForm(form); }
    for (const form of all("form.photo:not([data-ready])")) { form.dataset.ready = ""; preparePhoto(form); }
    tick();
  }

  async function resume() {
    for (const key of memory.keys(WAITING)) send(key.slice(WAITING.length));
    for (const photo of await shelf.all()) upload(photo);
  }

  prepare();
  if (!location.pathname.startsWith("/pair")) resume();
  setInterval(tick, 5000);
  setInterval(refresh, REFRESH_MS);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { tick(); refresh(); } });
})();
