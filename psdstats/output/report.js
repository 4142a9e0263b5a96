// Folded parts that open, sorting of tables, hover texts. The page says all it has to say without this.
(() => {
  "use strict";

  const key = (row, column) => {
    const cell = row.cells[column];
    const value = cell.dataset.value;
    return value === undefined ? cell.textContent.trim() : Number(value);
  };
  const compare = (a, b) => {
    if (typeof a === "number" && typeof b === "number") return a - b;
    if (typeof a === "number") return -1;
    if (typeof b === "number") return 1;
    return a.localeCompare(b, undefined, { numeric: true });
  };
  const sort = (table, heading, rows) => {
    const order = { none: "ascending", ascending: "descending", descending: "none" }[heading.getAttribute("aria-sort")];
    table.querySelectorAll("thead th").forEach((other) => other.setAttribute("aria-sort", "none"));
    heading.setAttribute("aria-sort", order);
    const sorted = rows.slice();
    if (order !== "none") {
      const sign = order === "ascending" ? 1 : -1;
      sorted.sort((a, b) => sign * compare(key(a, heading.cellIndex), key(b, heading.cellIndex)));
    }
    table.tBodies[0].append(...sorted);
  };
  document.querySelectorAll(".body table").forEach((table) => {
    const rows = Array.from(table.tBodies[0].rows);
    if (rows.length < 3) return;
    table.querySelectorAll("thead th").forEach((heading) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append(...heading.childNodes);
      heading.append(button);
      heading.setAttribute("aria-sort", "none");
      button.addEventListener("click", () => sort(table, heading, rows));
    });
  });

  // a link to what stands in a folded part opens it; paper shows every part
  const parts = Array.from(document.querySelectorAll("details"));
  const reveal = () => {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const part = target && target.closest("details");
    if (!part || part.open) return;
    part.open = true;
    target.scrollIntoView();
  };
  addEventListener("hashchange", reveal);
  document.addEventListener("click", (event) => {
    const link = event.target instanceof Element ? event.target.closest("a[href^='#']") : null;
    if (link && link.hash === location.hash) setTimeout(reveal);
  });
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = parts.filter((part) => !part.open);
    folded.forEach((part) => { part.open = true; });
  });
  addEventListener("afterprint", () => {
    folded.forEach((part) => { part.open = false; });
    folded = [];
  });
  reveal();

  // a box that does not scroll needs no stop for the keyboard; one that does shows where it is cut
  const boxes = document.querySelectorAll(".tablebox, .drawing");
  const shade = (box) => box.classList.toggle("cut", box.scrollLeft + box.clientWidth < box.scrollWidth - 1);
  const stops = () => boxes.forEach((box) => {
    if (box.scrollWidth > box.clientWidth + 1) box.setAttribute("tabindex", "0");
    else box.removeAttribute("tabindex");
    shade(box);
  });
  boxes.forEach((box) => box.addEventListener("scroll", () => shade(box), { passive: true }));
  addEventListener("resize", stops);
  parts.forEach((part) => part.addEventListener("toggle", stops));
  stops();

  const tip = document.createElement("div");
  tip.className = "hovertext";
  tip.hidden = true;
  document.body.append(tip);
  document.querySelectorAll(".mark").forEach((mark) => {
    const title = mark.querySelector("title");
    if (!title) return;
    mark.dataset.hover = title.textContent;
    title.remove();
  });
  addEventListener("pointerover", (event) => {
    const mark = event.target instanceof Element ? event.target.closest(".mark") : null;
    tip.hidden = !mark;
    if (!mark) return;
    tip.textContent = mark.dataset.hover;
    const box = mark.getBoundingClientRect();
    const left = box.left + box.width / 2 - tip.offsetWidth / 2;
    tip.style.left = Math.max(4, Math.min(left, innerWidth - tip.offsetWidth - 4)) + "px";
    const above = box.top - tip.offsetHeight - 6;
    tip.style.top = (above < 4 ? box.bottom + 6 : above) + "px";
  });
  addEventListener("scroll", () => { tip.hidden = true; }, { passive: true });
  addEventListener("keydown", (event) => { if (event.key === "Escape") tip.hidden = true; });
})();
