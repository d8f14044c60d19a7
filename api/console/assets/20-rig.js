// Months at the foot of the charts, in the reader's language.
function nameMonths(root) {
  const form = new Intl.DateTimeFormat(undefined, { month: "short", year: "numeric", timeZone: "UTC" });
  for (const e of root.querySelectorAll("svg [data-month]")) e.textContent = form.format(new Date(e.dataset.month + "-01T00:00:00Z"));
}
setUps.push(nameMonths);

// What the address points to is opened, if it is folded.
function unfoldTarget() {
  const at = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (at && at.tagName === "DETAILS" && !at.open) { at.open = true; at.scrollIntoView(); }
}
setUps.push(() => { try { unfoldTarget(); } catch { /* an address that is no text */ } });
addEventListener("hashchange", () => { try { unfoldTarget(); } catch { /* likewise */ } });
