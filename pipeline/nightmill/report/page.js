"use strict";
(() => {
  const all = (where, what) => Array.from(where.querySelectorAll(what));
  const kept = {
    read(name) { try { return JSON.parse(sessionStorage.getItem("nightmill " + name)); } catch { return null; } },
    write(name, value) { try { sessionStorage.setItem("nightmill " + name, JSON.stringify(value)); } catch { /* private window */ } },
  };

  // Before and after.
  for (const figure of all(document, ".picture")) {
    const slider = figure.querySelector(".cut");
    if (!slider) continue;
    const stage = figure.querySelector(".compare");
    const layers = all(stage, ".before");
    const choices = all(figure, ".choices input");
    const show = () => {
      const share = Number(slider.value);
      const chosen = choices.find((one) => one.checked);
      stage.style.setProperty("--cut", share + "%");
      stage.classList.toggle("sliding", share > 0 && share < 100);
      const name = chosen.value === "frame" ? "raw frame" : chosen.value;
      slider.setAttribute("aria-valuetext", share === 0 ? "finished picture" : share + "% " + name);
      for (const layer of layers) layer.hidden = layer.dataset.layer !== chosen.value;
    };
    slider.addEventListener("input", show);
    for (const one of choices) one.addEventListener("change", () => { if (slider.value === "0") slider.value = "50"; show(); });
    const drag = (event) => {
      if (event.buttons !== 1) return;
      const box = stage.getBoundingClientRect();
      slider.value = String(Math.round(100 * (event.clientX - box.left) / box.width));
      show();
    };
    stage.addEventListener("pointerdown", drag);
    stage.addEventListener("pointermove", drag);
    for (const image of all(stage, "img")) image.draggable = false;
    show();
  }

  // The table.
  const table = document.getElementById("captures-table");
  const body = table.tBodies[0];
  const heads = all(table.tHead, "th");
  const words = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
  const held = (row, column) => {
    const cell = row.cells[column];
    return cell.dataset.sort !== undefined ? cell.dataset.sort : cell.textContent.trim();
  };
  const sort = (column, order) => {
    const number = heads[column].dataset.kind === "number";
    const sign = order === "descending" ? -1 : 1;
    const rows = Array.from(body.rows);
    rows.sort((first, second) => {
      const a = held(first, column), b = held(second, column);
      if (a === "" || b === "") return (a === "") - (b === "");
      return sign * (number ? Number(a) - Number(b) : words.compare(a, b));
    });
    body.append(...rows);
    for (const head of heads) head.removeAttribute("aria-sort");
    heads[column].setAttribute("aria-sort", order);
    kept.write("sort", [column, order]);
  };
  heads.forEach((head, column) => head.querySelector("button").addEventListener("click", () => {
    const order = head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
    sort(column, order);
  }));
  const find = document.getElementById("find");
  const status = document.getElementById("status");
  const count = document.getElementById("count");
  const filter = () => {
    const wanted = find.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const states = status.value.split(" ").filter(Boolean);
    let shown = 0;
    for (const row of body.rows) {
      const text = row.textContent.toLowerCase();
      const fits = wanted.every((word) => text.includes(word)) && (!states.length || states.includes(row.dataset.status));
      row.hidden = !fits;
      shown += fits;
    }
    count.textContent = shown + " of " + body.rows.length;
    kept.write("filter", [find.value, status.value]);
  };
  find.addEventListener("input", filter);
  status.addEventListener("change", filter);

  // A link to a capture opens it.
  const open = () => {
    const place = location.hash && document.getElementById(location.hash.slice(1));
    if (place && place.tagName === "DETAILS" && !place.open) { place.open = true; place.scrollIntoView(); }
  };
  addEventListener("hashchange", open);
  open();
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = all(document, ".capture:not([open])");
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of closed) one.open = false; });

  // While the run goes on: look for news, but never under the reader's hands.
  const seconds = Number(document.body.dataset.refresh);
  if (seconds > 0) {
    const pause = document.getElementById("pause");
    const before = kept.read("view");
    const place = kept.read("sort"), wanted = kept.read("filter");
    if (place) sort(place[0], place[1]);
    if (wanted) { find.value = wanted[0]; status.value = wanted[1]; filter(); }
    if (before) {
      for (const id of before.open) { const one = document.getElementById(id); if (one) one.open = true; }
      pause.checked = before.pause;
      scrollTo(0, before.y);
    }
    let touched = 0;
    for (const kind of ["input", "pointerdown", "keydown"]) addEventListener(kind, () => { touched = Date.now(); });
    const save = () => kept.write("view", {
      y: scrollY, pause: pause.checked, open: all(document, "details[id][open]").map((one) => one.id),
    });
    addEventListener("pagehide", save);
    setInterval(() => {
      if (!pause.checked && Date.now() - touched > 10000 && !document.hidden) { save(); location.reload(); }
    }, seconds * 1000);
  }
})();
