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
  for (const e of root.querySelectorAll("option")) { // a choice among moments: no element may stand in it
    const [, at, between, value, unit] = /^(\d{4}-\d\d-\d\d [\d:]+\d)(\D+)(\d+\.\d+)( \S+)$/.exec(e.textContent) || [];
    if (!moment || !at) continue;
    const said = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "medium", timeZone: zone }).format(new Date(e.value));
    e.textContent = said + between + new Intl.NumberFormat(undefined, { minimumFractionDigits: 2 }).format(Number(value)) + unit;
  }
  for (const e of root.querySelectorAll("data.number")) {
    const decimals = (e.value.split(".")[1] || "").length;
    numberForms[decimals] ??= new Intl.NumberFormat(undefined, { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    e.textContent = numberForms[decimals].format(Number(e.value));
  }
}

// A form says how this browser writes numbers, so that 1,234 is read as its page
// would write it.
const writesNumbers = new Intl.NumberFormat(undefined, { maximumFractionDigits: 1 }).format(1234567.5);

// What is typed into a form that writes is kept in this browser until it is on
// record, so a lost connection or a closed page costs nothing.
const keeper = (form) => "typed " + location.pathname + " " + form.dataset.form;
const keepable = (e) => e.name && /^[a-eg-z]:\//.test(e.name) && e.type !== "hidden" && e.type !== "file" && e.type !== "password";

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
    const shown = e.type === "checkbox" || e.type === "radio" ? e.checked : e.value;
    if (kept[name] === shown) continue;
    if (e.type === "checkbox" || e.type === "radio") e.checked = kept[name]; else e.value = kept[name];
    unfold(e);
  }
  form.dataset.touched = "kept";
}

// unfold opens what an element is folded away in.
function unfold(e) {
  for (let fold = e.closest("details:not([open])"); fold; fold = fold.closest("details:not([open])")) fold.open = true;
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
    if (form.elements.writes) form.elements.writes.value = writesNumbers;
    if (!("refused" in form.dataset)) restoreTyped(form); // the page itself shows what was refused
    form.addEventListener("input", () => { form.dataset.touched = "typed"; keepTyped(form); });
    form.addEventListener("submit", (event) => {
      const by = event.submitter;
      if (event.defaultPrevented || by?.hasAttribute("formaction")) return; // another script has it, or it only asks
      event.preventDefault();
      if (!navigator.onLine) tellAway();
      else if (!form.dataset.busy) sendForm(form, by);
    });
  }
}

// sendForm sends a form and stays on the page until there is an answer, so that a
// form that does not arrive costs nothing. A refusal takes the page's place; what
// is on record leads on.
async function sendForm(form, by) {
  const rest = (busy) => {
    if (busy) form.dataset.busy = "yes"; else delete form.dataset.busy;
    for (const b of form.querySelectorAll("button")) {
      b.disabled = busy;
      if (busy) b.setAttribute("aria-busy", "true"); else b.removeAttribute("aria-busy");
    }
  };
  const sent = by ? new FormData(form, by) : new FormData(form);
  rest(true);
  let answer, text;
  try {
    answer = await fetch(form.action, { method: "POST", body: sent, headers: { "Rigledger-Part": "form" }, credentials: "same-origin", signal: AbortSignal.timeout(120000) });
    text = await answer.text();
  } catch { /* it did not arrive, or its answer did not */ }
  rest(false);
  if (by && document.activeElement === document.body) by.focus({ preventScroll: true });
  if (!answer || text === undefined || answer.headers.get("Rigledger-Part") !== "form") { // nobody is there, or something on the way
    tellSilent(true);
    return;
  }
  tellSilent(false);
  const then = answer.headers.get("Rigledger-Then");
  if (then) {
    try { sessionStorage.setItem("sent", keeper(form)); } catch { /* nothing was kept */ }
    leave(then);
    return;
  }
  const page = new DOMParser().parseFromString(text, "text/html");
  const fresh = page.getElementById("main");
  if (!fresh) { tellSilent(true); return; }
  if (!page.querySelector("header nav")) { // the door
    document.querySelector("header.top").replaceChildren(...page.querySelector("header.top").childNodes);
  } else if (!page.getElementById("wrong")) { // an answer that is shown this once
    try { localStorage.removeItem(keeper(form)); } catch { /* nothing was kept */ }
  }
  document.title = page.title;
  document.getElementById("main").replaceChildren(...fresh.childNodes);
  delete document.body.dataset.live; // what is shown now was asked for; it is not made anew
  document.getElementById("newer").hidden = true;
  setUp(document.getElementById("main"));
  lookHere();
}

// leave goes to where a form leads, also where that is this very page.
function leave(to) {
  const at = new URL(to, location.href);
  if (at.hash && at.pathname + at.search === location.pathname + location.search) {
    history.replaceState(null, "", at);
    history.scrollRestoration = "manual"; // to where the address points, not to where one was
    location.reload();
  } else location.assign(at);
}

// lookHere moves to what was refused: to the field if it is one, else to the list
// of them, which leads to each.
function lookHere() {
  const wrong = document.getElementById("wrong");
  if (!wrong) {
    scrollTo(0, 0);
    const told = document.querySelector("#main [role=alert]");
    (document.querySelector("#main [autofocus]") || document.getElementById("main")).focus();
    told?.scrollIntoView({ block: "center" });
    return;
  }
  const links = wrong.querySelectorAll("a[href^='#']");
  const at = links.length === 1 ? document.getElementById(links[0].hash.slice(1)) : null;
  if (!at) { wrong.focus(); wrong.scrollIntoView({ block: "nearest" }); return; }
  unfold(at);
  at.focus({ preventScroll: true });
  at.scrollIntoView({ block: "center" });
}

// A link to a wrong field opens what the field is folded away in.
document.addEventListener("click", (event) => {
  const link = event.target.closest?.("#wrong a[href^='#']");
  const at = link && document.getElementById(link.hash.slice(1));
  if (!at) return;
  event.preventDefault();
  unfold(at);
  at.focus({ preventScroll: true });
  at.scrollIntoView({ block: "center" });
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
    if (!page.querySelector("header nav")) { document.getElementById("session-ended").hidden = false; return; }
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
  if (main.querySelector("form[data-touched], #wrong")) return true;
  const at = document.activeElement;
  return main.contains(at) && /^(INPUT|SELECT|TEXTAREA)$/.test(at.tagName);
}

// follow listens for news as long as the page is open, and tells when nobody is
// there to give any.
function follow() {
  let later, missed, waits = false, source;
  const due = () => {
    if (!("live" in document.body.dataset)) return;
    if (document.hidden) { waits = true; return; }
    if (busyTyping()) document.getElementById("newer").hidden = false; else renew();
  };
  const hear = (event) => {
    clearTimeout(missed);
    tellSilent(false);
    if (!event.data || Number(event.data) <= Number(document.body.dataset.commit)) return;
    if (busyTyping()) { document.getElementById("newer").hidden = false; return; }
    clearTimeout(later);
    later = setTimeout(due, Math.max(300, renewed + renewEvery - Date.now()));
  };
  const listen = () => {
    source = new EventSource("/pulse");
    source.addEventListener("open", hear);
    source.addEventListener("commit", hear);
    source.addEventListener("error", () => {
      clearTimeout(missed);
      if (source.readyState !== EventSource.CLOSED) missed = setTimeout(() => tellSilent(true), silentAfter);
      else missed = setTimeout(ask, silentAfter);
    });
  };
  // The browser gave up: because the session has ended, because too many listen, or
  // because something on the way answers for a service that is not there.
  const ask = async () => {
    const stop = new AbortController();
    let status = 0, ours = false;
    try {
      const answer = await fetch("/pulse", { credentials: "same-origin", signal: stop.signal });
      status = answer.status;
      ours = answer.headers.has("Rigledger-Part");
    } catch { /* nobody is there */ }
    stop.abort();
    if (status === 204) { tellSilent(false); document.getElementById("session-ended").hidden = false; return; }
    tellSilent(!ours);
    if (status === 200) listen(); else missed = setTimeout(ask, 15000);
  };
  listen();
  document.addEventListener("visibilitychange", () => { if (!document.hidden && waits) { waits = false; due(); } });
  addEventListener("pagehide", () => source.close());
}

// silentAfter is how long the service may be away before the page says so: a
// restart is quicker, and the browser tries again every three seconds.
const silentAfter = 2500;

function tellAway() {
  document.getElementById("away").hidden = navigator.onLine;
  if (!navigator.onLine) tellSilent(false);
}

// tellSilent says, or no longer says, that the service does not answer.
function tellSilent(yes) {
  document.getElementById("unanswered").hidden = !yes || !navigator.onLine;
}

document.getElementById("sign-in-again")?.addEventListener("click", () => location.reload());
document.getElementById("newer-show")?.addEventListener("click", renew);
addEventListener("online", tellAway);
addEventListener("offline", tellAway);
// Scripts of single rooms follow in this file and add to setUps before this runs.
addEventListener("DOMContentLoaded", () => {
  if (document.body.dataset.done) forgetSent();
  document.querySelector("form.who")?.addEventListener("submit", forgetAll);
  setUp(document);
  tellAway();
  if (document.getElementById("wrong")) lookHere();
  const asked = new URL(location.href); // a refusal is shown once, so its address is of no more use
  if (asked.searchParams.has("refused")) { asked.searchParams.delete("refused"); history.replaceState(null, "", asked); }
  history.scrollRestoration = "auto";
  if ("live" in document.body.dataset && window.EventSource) follow();
});
