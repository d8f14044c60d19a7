// The test bay: what is typed is sent to the service and worked out there; this
// only carries it to and fro, and makes a row of nozzles quick to fill in.

// writeNumbers puts the numbers of drawings into the reader's form.
function writeNumbers(root) {
  for (const e of root.querySelectorAll("svg [data-number]")) {
    const text = e.dataset.number, decimals = (text.split(".")[1] || "").length;
    e.textContent = new Intl.NumberFormat(undefined, {
      minimumFractionDigits: decimals, maximumFractionDigits: decimals, signDisplay: e.dataset.signed ? "exceptZero" : "auto",
    }).format(Number(text));
  }
}

// sayWrong puts messages to their fields and takes old ones away.
function sayWrong(form, wrongs) {
  for (const old of form.querySelectorAll(".wrong[data-said]")) old.remove();
  for (const e of form.querySelectorAll("[aria-invalid]")) {
    e.removeAttribute("aria-invalid");
    e.closest(".field, .flow, td")?.classList.remove("refused");
    document.getElementById(e.id + "-wrong")?.remove();
  }
  for (const one of wrongs) {
    const input = document.getElementById(one.dataset.wrong);
    if (!input || !form.contains(input)) continue;
    const place = input.closest(".field, .flow, td") || input.parentElement;
    const said = document.createElement("span");
    said.className = "wrong";
    said.dataset.said = "";
    said.id = input.id + "-wrong";
    said.textContent = one.textContent;
    place.append(said);
    place.classList.add("refused");
    input.setAttribute("aria-invalid", "true");
    input.setAttribute("aria-describedby", [said.id, document.getElementById(input.id + "-hint") ? input.id + "-hint" : ""].join(" ").trim());
  }
}

function followTyping(form) {
  let later, asked;
  const typed = () => {
    const data = new FormData(form);
    for (const [name, value] of [...data]) if (value instanceof File) data.delete(name);
    return data;
  };
  const work = async () => {
    asked?.abort();
    asked = new AbortController();
    try {
      const answer = await fetch("/bay/compute", { method: "POST", body: typed(), headers: { "Rigledger-Part": "worked" }, credentials: "same-origin", signal: asked.signal });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of page.querySelectorAll("[data-place]")) {
        const place = document.getElementById(part.dataset.place);
        if (!place) continue;
        place.replaceChildren(...part.childNodes);
        localize(place);
        writeNumbers(place);
      }
      sayWrong(form, page.querySelectorAll("[data-wrong]"));
    } catch {
      // No connection, or newer typing: the button is still there.
    }
  };
  form.addEventListener("input", () => { clearTimeout(later); later = setTimeout(work, 350); });
  form.addEventListener("click", (event) => {
    if (!event.target.closest("[data-compute]")) return;
    event.preventDefault();
    work().then(() => document.getElementById("worked")?.scrollIntoView({ block: "nearest" }));
  });
  if (form.dataset.touched === "kept") work();
}

// A row of nozzles: Enter goes to the next, a pasted column fills those that follow.
function quickRow(grid) {
  const inputs = [...grid.querySelectorAll("input")];
  grid.addEventListener("keydown", (event) => {
    const at = inputs.indexOf(event.target);
    if (at < 0 || event.key !== "Enter") return;
    event.preventDefault();
    const next = inputs[at + (event.shiftKey ? -1 : 1)];
    if (next) { next.focus(); next.select(); } else grid.closest("form")?.querySelector("[data-compute]")?.focus();
  });
  grid.addEventListener("paste", (event) => {
    const at = inputs.indexOf(event.target);
    const text = event.clipboardData?.getData("text") || "";
    const values = text.replace(/\r/g, "").replace(/\n+$/, "").split(/[\n\t;]/);
    if (at < 0 || values.length < 2) return;
    event.preventDefault();
    values.forEach((value, i) => { if (inputs[at + i]) inputs[at + i].value = value.trim(); });
    inputs[Math.min(at + values.length, inputs.length) - 1].focus();
    event.target.dispatchEvent(new Event("input", { bubbles: true }));
  });
}

setUps.push(writeNumbers, (root) => {
  for (const form of root.querySelectorAll("form[data-form]")) if (form.querySelector("[data-compute]")) followTyping(form);
  for (const grid of root.querySelectorAll("[data-flows]")) quickRow(grid);
});
