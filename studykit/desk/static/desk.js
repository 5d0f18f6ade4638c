"use strict";
// The queue of a phone: what is saved goes into storage first, is sent, and leaves storage only when the laptop
// has confirmed it. Without this script every form works as a plain form. Nothing is taken from elsewhere.
(function () {
  const STORE = "desk.queue";
  const bar = document.getElementById("queue");
  let sending = false, reachable = true, told = "";

  function read() {
    try { return JSON.parse(localStorage.getItem(STORE)) || []; } catch (_) { return []; }
  }
  function write(items) { localStorage.setItem(STORE, JSON.stringify(items)); }
  function key() {
    const bytes = new Uint8Array(16);
    crypto.getRandomValues(bytes);
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }
  // Two tabs may change the store at once: read, change one item, write back in one go.
  function drop(which) { write(read().filter((item) => item.key !== which)); }
  function mark(which, problem) {
    write(read().map((item) => (item.key === which ? Object.assign(item, { problem }) : item)));
  }

  function show() {
    const items = read();
    const texts = [];
    if (told) texts.push(told);
    if (items.length) texts.push(items.length + " waiting on this device.");
    if (items.some((item) => item.problem)) texts.push("One was not taken: look at it.");
    if (!reachable) texts.push("The laptop cannot be reached.");
    bar.textContent = texts.join(" ") + " ";
    bar.hidden = !texts.length;
    if (items.length) bar.append(link("/mine", "See them"), " ");
    if (!reachable) bar.append(link("/quick", "Go on without it"));
    const list = document.querySelector("[data-waiting]");
    if (list) {
      list.replaceChildren(Object.assign(document.createElement("h2"), { textContent: "Waiting on this device" }));
      if (!items.length) list.append(paragraph("Nothing waits."));
      for (const item of items) list.append(one(item));
    }
  }
  function link(href, text) { return Object.assign(document.createElement("a"), { href, textContent: text }); }
  function paragraph(text) { return Object.assign(document.createElement("p"), { textContent: text }); }
  function one(item) {
    const box = document.createElement("details");
    box.append(Object.assign(document.createElement("summary"), { textContent: item.label + ", " + item.made }));
    if (item.problem) box.append(paragraph("Not taken: " + item.problem));
    const lines = [...new URLSearchParams(item.body)].filter(([name, value]) =>
      value && !/^(token|key|made_at)$/.test(name) && !/^planned\./.test(name));
    box.append(Object.assign(document.createElement("pre"), {
      textContent: lines.map(([name, value]) => name.replace(/^.*\./, "") + ": " + value).join("\n") }));
    const out = Object.assign(document.createElement("button"), { type: "button", textContent: "I have copied it: remove it here" });
    out.addEventListener("click", () => { if (confirm("Remove it from this device? It is not on the laptop.")) { drop(item.key); show(); } });
    box.append(out);
    return box;
  }

  async function flush() {
    if (sending) return;
    sending = true;
    try {
      for (const item of read()) {
        if (item.problem) continue;
        const answer = await fetch(item.url, { method: "POST", body: item.body, redirect: "manual",
          headers: { "Content-Type": "application/x-www-form-urlencoded", "Idempotency-Key": item.key } });
        reachable = true;
        if (answer.status === 200 || answer.status === 201) {
          const text = await answer.json();
          drop(item.key);
          item.go = text.go;
          if (item.key === waitingFor) { location.assign(text.go); return; }
        } else if (answer.status === 401) {
          told = "This phone is not known any more: let the owner pair it again. Nothing is lost.";
          break;
        } else if (answer.status === 422) {
          const text = await answer.json().catch(() => ({ text: "the laptop did not take it" }));
          mark(item.key, text.text);
          if (item.key === waitingFor) problem(text.text);
        } else { break; }
      }
    } catch (_) { reachable = false; } finally { sending = false; show(); }
  }
  let waitingFor = "";
  function problem(text) {
    drop(waitingFor);  // it is on the screen still, to be put right there
    waitingFor = "";
    document.querySelectorAll("#errors").forEach((old) => old.remove());
    const box = Object.assign(document.createElement("section"), { className: "errors", id: "errors", tabIndex: -1 });
    box.setAttribute("role", "alert");
    box.append(Object.assign(document.createElement("h2"), { textContent: "Not written yet" }), paragraph(text));
    box.lastChild.className = "said";
    document.getElementById("main").prepend(box);
    document.title = "Error: " + document.title.replace(/^Error: /, "");
    box.focus();
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.dataset.queue) return;
    let kept;
    const made = new Date().toISOString();
    const body = new URLSearchParams(new FormData(form));
    const own = key();
    body.delete("token"); body.delete("key"); body.set("made_at", made);
    const client = body.get("all.client") || "";
    try {
      const items = read();
      items.push({ key: own, url: form.getAttribute("action"), body: body.toString(), made: made.slice(0, 16).replace("T", " "),
        label: form.dataset.queue + (client && !form.dataset.queue.includes(client) ? " of " + client : "") });
      write(items);
      kept = read().some((item) => item.key === own);
    } catch (_) { kept = false; }
    if (!kept) return;  // no storage here: the plain form is sent
    event.preventDefault();
    waitingFor = own;
    flush().then(() => {
      if (waitingFor !== own || !read().some((item) => item.key === own)) return;
      waitingFor = "";
      const main = document.getElementById("main");
      const heading = Object.assign(document.createElement("h1"), { textContent: "Kept on this device", tabIndex: -1 });
      main.replaceChildren(heading, paragraph("It is sent by itself when the laptop can be reached again. Until then it counts as waiting."));
      if (body.get("hurt") === "yes") main.append(paragraph("Something hurt: write the harm down too, now."));
      const acts = Object.assign(document.createElement("p"), { className: "acts" });
      acts.append(Object.assign(link("/quick", "Another entry"), { className: "button main" }));
      main.append(acts);
      heading.focus();
    });
  });

  async function look() {
    if (!document.body.dataset.known) return;
    const before = Date.now();
    try {
      const answer = await fetch("/ping", { cache: "no-store" });
      const text = await answer.json();
      reachable = true;
      const apart = Math.round((Date.parse(text.time) - (before + Date.now()) / 2) / 60000);
      told = Math.abs(apart) >= 3 ? "The clocks of this device and of the laptop are " + Math.abs(apart) + " minutes apart: put them right." : "";
      if (read().length) await flush();
    } catch (_) { reachable = false; }
    show();
  }

  const errors = document.getElementById("errors");
  if (errors) errors.focus();
  document.querySelectorAll("[data-today]").forEach((field) => {
    const now = new Date();
    field.value = new Date(now - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10);
  });
  const pair = document.getElementById("pair");
  if (pair && location.hash.length > 10) {
    const secret = location.hash.slice(1);
    history.replaceState(null, "", "/pair");
    fetch("/pair", { method: "POST", headers: { "Content-Type": "application/x-www-form-urlencoded" },
      body: new URLSearchParams({ code: secret, quiet: "1" }) }).then((answer) => {
      if (answer.ok) location.replace("/");
      else answer.text().then(() => problem("This code is used up or too old. Let the owner make a new one."));
    });
  }
  const job = document.querySelector("[data-job]");
  if (job) {
    const again = setInterval(async () => {
      try {
        const answer = await fetch(job.dataset.job, { cache: "no-store" });
        const text = await answer.json();
        job.querySelector("[data-progress]").textContent = text.progress;
        if (!text.running) { clearInterval(again); location.reload(); }
      } catch (_) { /* asked again in a moment */ }
    }, 1000);
  }
  const live = document.querySelector("form[data-live]");
  if (live) {
    const beside = document.getElementById("beside");
    let timer = 0, number = 0;
    live.addEventListener("input", () => {
      clearTimeout(timer);
      timer = setTimeout(async () => {
        const mine = ++number;
        const answer = await fetch(live.dataset.live, { method: "POST", body: new URLSearchParams(new FormData(live)) });
        const text = await answer.text();
        if (mine === number) beside.innerHTML = text;  // made and escaped by the laptop
      }, 250);
    });
  }
  if (document.body.dataset.known) {
    if (document.body.dataset.here !== "/quick") fetch("/quick").catch(() => {});  // kept for when it is needed
    setInterval(look, 5000);
    window.addEventListener("online", look);
    look();
  }
  show();
})();
