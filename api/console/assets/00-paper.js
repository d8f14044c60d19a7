"use strict";
// What all pages share: dates and numbers in the reader's language, keeping what
// was typed, saying when there is no connection, and pages that follow the ledger.
// A page works without any of it. Words that people see are in the pages, not here.

const zone = document.body.dataset.zone || "UTC";

// localize writes dates and numbers as the reader's browser would. Machine-readable
// values stay in datetime and value.
const numberForms = []; // by decimals: making one costs more than using it
function localize(root) {
  const day = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeZone: "UTC" });
  let moment = null; // a zone that the browser does not know leaves times as they came, in UTC
  try {
    moment = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short", timeZone: zone });
  } catch { /* as they came */ }
  for (const e of root.querySelectorAll("[data-days]")) { // a stretch, with its month and year said once
    const [from, to] = e.querySelectorAll("time");
    if (from && to && from.dateTime < to.dateTime) e.textContent = day.formatRange(new Date(from.dateTime + "T00:00:00Z"), new Date(to.dateTime + "T00:00:00Z"));
  }
  for (const e of root.querySelectorAll("time[data-day]")) e.textContent = day.format(new Date(e.dateTime + "T00:00:00Z"));
  if (moment) for (const e of root.querySelectorAll("time[data-moment]")) e.textContent = moment.format(new Date(e.dateTime));
  for (const e of root.querySelectorAll("data.number")) {
    const decimals = (e.value.split(".")[1] || "").length;
    numberForms[decimals] ??= new Intl.NumberFormat(undefined, { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    e.textContent = numberForms[decimals].format(Number(e.value));
  }
}

// What is typed into a form that writes is kept in this browser until it is on
// record, so a lost connection or a closed page costs nothing.
const keeper = (form) => "typed " + location.pathname + " " + form.dataset.form;
const keepable = (e) => e.name && /^[a-z]:\//.test(e.name) && e.type !== "hidden" && e.type !== "file" && e.type !== "password";

function keepTyped(form) {
  const kept = {};
  for (const e of form.elements) {
    if (keepable(e)) kept[e.name + (e.type === "radio" ? "=" + e.value : "")] = e.type === "checkbox" || e.type === "radio" ? e.checked : e.value;
  }
  try { localStorage.setItem(keeper(form), JSON.stringify({ at: Date.now(), kept })); } catch { /* no room or no right: nothing is kept */ }
}

function restoreTyped(form) {
  let held;
  try { held = JSON.parse(localStorage.getItem(keeper(form))); } catch { return; }
  if (!held || Date.now() - held.at > 86400e3) return; // what is a day old is rather in the way
  const kept = held.kept;
  for (const e of form.elements) {
    const name = e.name + (e.type === "radio" ? "=" + e.value : "");
    if (!keepable(e) || !(name in kept)) continue;
    if (e.type === "checkbox" || e.type === "radio") e.checked = kept[name]; else e.value = kept[name];
  }
  form.dataset.touched = "kept";
}

// What was sent last is forgotten once the next page says that it is on record.
function forgetSent() {
  try { localStorage.removeItem(sessionStorage.getItem("sent")); } catch { /* nothing was kept */ }
}

function forgetAll() {
  try {
    for (const key of Object.keys(localStorage)) if (key.startsWith("typed ")) localStorage.removeItem(key);
  } catch { /* nothing was kept */ }
}

function setUpForms(root) {
  for (const form of root.querySelectorAll("form[data-form]")) {
    const refused = document.getElementById("wrong") !== null;
    if (!refused) restoreTyped(form); // the page itself shows what was refused
    form.addEventListener("input", () => { form.dataset.touched = "typed"; keepTyped(form); });
    form.addEventListener("submit", (event) => {
      if (form.dataset.busy) { event.preventDefault(); return; }
      form.dataset.busy = "yes";
      try { sessionStorage.setItem("sent", keeper(form)); } catch { /* nothing was kept */ }
      for (const b of form.querySelectorAll("button")) { b.setAttribute("aria-busy", "true"); setTimeout(() => { b.disabled = true; }); }
      setTimeout(() => { // the way back to the page, or an answer that never came
        delete form.dataset.busy;
        for (const b of form.querySelectorAll("button")) { b.disabled = false; b.removeAttribute("aria-busy"); }
      }, 20000);
    });
  }
}

addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  for (const form of document.forms) { delete form.dataset.busy; for (const b of form.querySelectorAll("button")) b.disabled = false; }
});

// The page follows the ledger: where nobody is typing it is made anew, else it
// says that there is more to see.
const setUps = [localize, setUpForms];
function setUp(root) { for (const one of setUps) one(root); }

// Pages ask for themselves anew at most every so many milliseconds, and not while
// nobody looks.
const renewEvery = 5000;

let asking = false, renewed = 0;
async function renew() {
  if (asking) return;
  asking = true;
  renewed = Date.now();
  try {
    const answer = await fetch(location.href, { headers: { "Rigledger-Part": "main" }, credentials: "same-origin" });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("main"), old = document.getElementById("main");
    if (!fresh || !old) return;
    const at = document.activeElement && document.activeElement.id;
    const open = new Set([...old.querySelectorAll("details[open][id]")].map((d) => d.id));
    const said = old.querySelector(".said");
    old.replaceChildren(...fresh.childNodes);
    if (said && !old.querySelector(".said")) old.prepend(said);
    for (const d of old.querySelectorAll("details[id]")) if (open.has(d.id)) d.open = true;
    document.body.dataset.commit = page.body.dataset.commit;
    document.getElementById("newer").hidden = true;
    setUp(old);
    if (at) document.getElementById(at)?.focus({ preventScroll: true });
  } catch {
    // No connection: the bar says so.
  } finally {
    asking = false;
  }
}

function busyTyping() {
  const main = document.getElementById("main");
  if (main.querySelector("form[data-touched]")) return true;
  const at = document.activeElement;
  return main.contains(at) && /^(INPUT|SELECT|TEXTAREA)$/.test(at.tagName);
}

function follow() {
  const source = new EventSource("/pulse");
  let later;
  source.addEventListener("commit", (event) => {
    if (Number(event.data) <= Number(document.body.dataset.commit)) return;
    if (busyTyping()) { document.getElementById("newer").hidden = false; return; }
    clearTimeout(later);
    later = setTimeout(due, Math.max(300, renewed + renewEvery - Date.now()));
  });
  const due = () => {
    if (document.hidden) { waits = true; return; }
    if (busyTyping()) document.getElementById("newer").hidden = false; else renew();
  };
  let waits = false;
  document.addEventListener("visibilitychange", () => { if (!document.hidden && waits) { waits = false; due(); } });
  addEventListener("pagehide", () => source.close());
}

function tellAway() { document.getElementById("away").hidden = navigator.onLine; }

document.getElementById("newer-show")?.addEventListener("click", renew);
addEventListener("online", tellAway);
addEventListener("offline", tellAway);
// Scripts of single rooms follow in this file and add to setUps before this runs.
addEventListener("DOMContentLoaded", () => {
  if (document.body.dataset.done) forgetSent();
  document.querySelector("form.who")?.addEventListener("submit", forgetAll);
  setUp(document);
  tellAway();
  document.getElementById("wrong")?.focus();
  if ("live" in document.body.dataset && window.EventSource) follow();
});
