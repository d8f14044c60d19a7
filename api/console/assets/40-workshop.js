// The workshop: ticks stay in this browser, a form is not sent into the void, and
// several photos go with one job.

// weekAgo is the oldest day whose ticks are kept.
const weekAgo = () => new Date(Date.now() - 8 * 86400e3).toISOString().slice(0, 10);

function setUpTicks(root) {
  const keyOf = (box) => "typed ticks " + box.dataset.tick;
  for (const box of root.querySelectorAll("input[data-tick]")) {
    try { box.checked = localStorage.getItem(keyOf(box)) === "yes"; } catch { /* nothing was kept */ }
    box.addEventListener("change", () => {
      try { if (box.checked) localStorage.setItem(keyOf(box), "yes"); else localStorage.removeItem(keyOf(box)); } catch { /* no room or no right */ }
    });
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

setUps.push(setUpTicks, setUpFresh, setUpPhotos, setUpAgain);

// Without a connection a form stays as it is: what was typed is kept, and the bar
// at the top says so.
document.addEventListener("submit", (event) => {
  if (navigator.onLine || !(event.target instanceof HTMLFormElement) || !event.target.dataset.form) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  tellAway();
  const away = document.getElementById("away");
  away.tabIndex = -1;
  away.focus();
}, true);
