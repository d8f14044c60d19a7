// The workshop: ticks stay in this browser, and several photos go with one job.

// weekAgo is the oldest day whose ticks are kept.
const weekAgo = () => new Date(Date.now() - 8 * 86400e3).toISOString().slice(0, 10);

// A part is ticked beside the rig it is for. The day's tick of the same part stands
// for those of all its rigs.
function setUpTicks(root) {
  const keyOf = (box) => "typed ticks " + box.dataset.tick;
  const keep = (box) => {
    try { if (box.checked) localStorage.setItem(keyOf(box), "yes"); else localStorage.removeItem(keyOf(box)); } catch { /* no room or no right */ }
  };
  const boxes = [...root.querySelectorAll("input[data-tick]")], days = [...root.querySelectorAll("input[data-tick-all]")];
  const under = (day) => boxes.filter((box) => box.dataset.of === day.dataset.tickAll);
  const sum = (day) => {
    const of = under(day), ticked = of.filter((box) => box.checked).length;
    day.checked = of.length > 0 && ticked === of.length;
    day.indeterminate = ticked > 0 && !day.checked;
  };
  for (const box of boxes) {
    try { box.checked = localStorage.getItem(keyOf(box)) === "yes"; } catch { /* nothing was kept */ }
    box.addEventListener("change", () => { keep(box); days.forEach(sum); });
  }
  for (const day of days) {
    day.addEventListener("change", () => { for (const box of under(day)) { box.checked = day.checked; keep(box); } });
    sum(day);
  }
  try {
    for (const key of Object.keys(localStorage)) {
      if (key.startsWith("typed ticks ") && key.slice(12, 22) < weekAgo()) localStorage.removeItem(key);
    }
  } catch { /* nothing was kept */ }
}

function setUpPhotos(root) {
  for (const input of root.querySelectorAll("input[type=file][data-many]")) input.multiple = true;
}

// What is still being worked out is asked for again, while nobody types.
let askedAgain = 0;
function setUpAgain(root) {
  if (root.querySelector("[data-again]") === null || askedAgain >= 20) return;
  askedAgain++;
  setTimeout(() => { if (!busyTyping() && navigator.onLine) renew(); }, 2000);
}

// That somebody has read the cautions is never taken from what was kept.
function setUpFresh(root) {
  if (document.getElementById("wrong") !== null) return;
  for (const box of root.querySelectorAll("input[data-fresh]")) box.checked = false;
}

// Who goes to a rig finds its jobs open.
function openTarget() {
  const at = location.hash.length > 1 ? document.getElementById(decodeURIComponent(location.hash.slice(1))) : null;
  const fold = at?.matches("details") ? at : at?.matches(".bench-rig") ? at.querySelector("details") : null;
  if (!fold || fold.open) return;
  fold.open = true;
  at.scrollIntoView();
}
addEventListener("hashchange", openTarget);
addEventListener("DOMContentLoaded", openTarget);

setUps.push(setUpTicks, setUpFresh, setUpPhotos, setUpAgain);
