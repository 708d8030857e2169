"use strict";
{
  const all = (what, within = document) => [...within.querySelectorAll(what)];
  const texts = document.body.dataset;
  const told = document.getElementById("told");
  const say = (text) => (told.textContent = text);
  const filled = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name]);

  // chapters: a link opens what it leads to, a print what is folded
  const open = (details, is) => details.forEach((d) => (d.open = is));
  const arrive = () => {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    for (let at = target; at; at = at.parentElement) if (at.tagName === "DETAILS") at.open = true;
    target.scrollIntoView();
  };
  addEventListener("hashchange", arrive);
  arrive();
  document.querySelector(".all").hidden = false;
  all("[data-open]").forEach((button) => button.addEventListener("click", () => open(all(".chapter"), !!button.dataset.open)));
  let folded = [];
  addEventListener("beforeprint", () => open((folded = all("details:not([open])")), true));
  addEventListener("afterprint", () => open(folded, false));

  // tables: a sign where there is more, sorted by their heads, the long ones searched
  const fits = new ResizeObserver((seen) => seen.forEach((entry) => look(entry.target)));
  const look = (wide) => {
    const more = wide.scrollWidth - wide.clientWidth > 1;
    wide.tabIndex = more ? 0 : -1;
    wide.setAttribute("role", more ? "region" : "group");
    wide.parentElement.classList.toggle("more", wide.scrollWidth - wide.clientWidth - wide.scrollLeft > 1);
  };
  const order = new Intl.Collator(document.documentElement.lang, { numeric: true });
  const value = (row, at) => {
    const cell = row.cells[at];
    const v = cell.dataset.v ?? cell.textContent;
    return v === "" || isNaN(v) ? v : Number(v);
  };
  const compare = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : order.compare(a, b));
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  for (const wide of all(".wide")) {
    wide.addEventListener("scroll", () => look(wide), { passive: true });
    fits.observe(wide);
    const table = wide.firstElementChild;
    const body = table.tBodies[0];
    const rows = [...body.rows];
    if (rows.length < 3) continue;
    const caption = table.caption.textContent;
    const heads = all("thead th", table);
    for (const head of heads) {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      const numbers = head.classList.contains("r");
      const ways = numbers ? ["descending", "ascending"] : ["ascending", "descending"];
      button.addEventListener("click", () => {
        const way = ways[ways.indexOf(head.getAttribute("aria-sort")) + 1];
        heads.forEach((other) => other.removeAttribute("aria-sort"));
        let sorted = rows;
        if (way) {
          head.setAttribute("aria-sort", way);
          const sign = way === "ascending" ? 1 : -1;
          const found = rows.map((row) => [value(row, head.cellIndex), row]);
          found.sort(([a], [b]) => (a === "" || b === "" ? (a === "") - (b === "") : sign * compare(a, b)));
          sorted = found.map(([, row]) => row);
        }
        body.append(...sorted);
        const said = way === "ascending" ? texts.up : way ? texts.down : texts.off;
        say(filled(said, { caption, head: button.textContent }));
      });
    }
    if (!("long" in table.dataset)) continue;
    const label = document.getElementById("find").content.firstElementChild.cloneNode(true);
    const [input, count] = label.children;
    const held = rows.map((row) => plain(row.textContent));
    input.addEventListener("input", () => {
      const sought = plain(input.value).split(/\s+/);
      rows.forEach((row, i) => (row.hidden = !sought.every((word) => held[i].includes(word))));
      const n = rows.filter((row) => !row.hidden).length;
      count.textContent = input.value && filled(texts.found, { n, all: rows.length });
      say(count.textContent);
    });
    wide.before(label);
  }

  // drawings: what a mark says, to who points at it, taps near it or walks by arrow keys
  const tip = document.getElementById("tip");
  let shown = null;
  const hide = () => {
    shown?.classList.remove("told");
    shown = null;
    tip.hidden = true;
  };
  const show = (mark) => {
    if (mark === shown) return;
    hide();
    shown = mark;
    mark.classList.add("told");
    tip.textContent = mark.dataset.says;
    tip.hidden = false;
    const box = mark.getBoundingClientRect();
    const most = document.documentElement.clientWidth - tip.offsetWidth - 8;
    const above = box.top - tip.offsetHeight - 8;
    tip.style.left = `${scrollX + Math.max(8, Math.min(most, (box.left + box.right - tip.offsetWidth) / 2))}px`;
    tip.style.top = `${scrollY + (above < 0 ? box.bottom + 8 : above)}px`;
  };
  const away = (mark, x, y) => {
    const box = mark.getBoundingClientRect();
    return Math.hypot(Math.max(box.left - x, 0, x - box.right), Math.max(box.top - y, 0, y - box.bottom));
  };
  for (const figure of all("figure")) {
    const marks = all(".tell", figure);
    if (!marks.length) continue;
    for (const mark of marks) {
      const title = mark.querySelector("title");
      mark.dataset.says = title.textContent;
      title.remove();
    }
    figure.tabIndex = 0;
    figure.setAttribute("aria-label", `${figure.firstElementChild.textContent} ${texts.keys}`);
    const point = ({ clientX, clientY }) => {
      const [near, mark] = marks.map((m) => [away(m, clientX, clientY), m]).reduce((a, b) => (b[0] <= a[0] ? b : a));
      near < 16 ? show(mark) : hide();
    };
    figure.addEventListener("pointermove", point);
    figure.addEventListener("click", point);
    figure.addEventListener("pointerleave", (event) => event.pointerType === "mouse" && hide());
    figure.addEventListener("blur", hide);
    figure.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (event.key === "Escape") hide();
      if (!step) return;
      event.preventDefault();
      const at = marks.indexOf(shown);
      show(marks[(at + (at < 0 && step < 0 ? 0 : step) + marks.length) % marks.length]);
      say(tip.textContent);
    });
  }
}
