// What the address points to is opened, if it is folded.
function unfoldTarget() {
  const at = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (at && at.tagName === "DETAILS" && !at.open) { at.open = true; at.scrollIntoView(); }
}
setUps.push(() => { try { unfoldTarget(); } catch { /* an address that is no text */ } });
addEventListener("hashchange", () => { try { unfoldTarget(); } catch { /* likewise */ } });
