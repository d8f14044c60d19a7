// The yard: rigs are hidden as one types, and a page with days that are still
// being worked out asks for itself again.
let yardFind = null;
let yardAsks = 0;

function setUpYard(root) {
  const input = root.querySelector("#yard-find");
  if (!input) return;
  if (yardFind !== null) input.value = yardFind;
  const asked = input.defaultValue.toLowerCase();
  const sift = () => {
    const text = input.value.trim().toLowerCase();
    const rides = [...document.querySelectorAll(".ride")];
    let shown = 0;
    for (const one of rides) {
      one.hidden = !one.dataset.find.includes(text);
      if (!one.hidden) shown++;
    }
    for (const group of document.querySelectorAll(".yard-group")) group.hidden = !group.querySelector(".ride:not([hidden])");
    for (const fold of document.querySelectorAll(".yard-group details")) {
      if (text && text !== asked && fold.querySelector(".ride:not([hidden])")) fold.open = true;
    }
    const line = document.getElementById("yard-shown");
    if (!line) return;
    line.hidden = shown === rides.length;
    line.querySelector(".yard-count").textContent = shown;
  };
  input.addEventListener("input", () => { yardFind = input.value; sift(); });
  if (yardFind !== null) sift();
  if (document.querySelector("[data-yard-waiting]") && yardAsks < 40) {
    yardAsks++;
    setTimeout(() => { if (!busyTyping()) renew(); }, 1500);
  }
}
setUps.push(setUpYard);
