"use strict";
(() => {
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const tip = document.getElementById("tip");
  const said = document.getElementById("said");

  // What is said of a mark moves from the browser's own slow tooltip into ours.
  const tips = new Map();
  for (const mark of all("g.mark")) {
    const title = mark.querySelector("title");
    tips.set(mark, title.textContent);
    title.remove();
  }
  const fellows = (mark) => {
    const run = mark.closest("section.run");
    return run ? all(`[data-index="${mark.dataset.index}"]`, run) : [mark];
  };
  const hide = () => {
    tip.hidden = true;
    for (const lit of all(".lit")) lit.classList.remove("lit");
  };
  const show = (mark) => {
    hide();
    for (const one of fellows(mark)) one.classList.add("lit");
    tip.textContent = tips.get(mark);
    tip.hidden = false;
    const box = mark.querySelector(".reach").getBoundingClientRect();
    const width = document.documentElement.clientWidth;
    const left = Math.min(Math.max(box.left + box.width / 2 - tip.offsetWidth / 2, 8), width - tip.offsetWidth - 8);
    const above = box.top - tip.offsetHeight - 6;
    tip.style.left = `${left + scrollX}px`;
    tip.style.top = `${(above > 4 ? above : box.bottom + 6) + scrollY}px`;
  };
  for (const mark of tips.keys()) {
    mark.addEventListener("pointerenter", () => show(mark));
    mark.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse") hide(); });
    mark.addEventListener("click", () => show(mark));
    mark.addEventListener("focus", () => show(mark));
    mark.addEventListener("blur", hide);
  }
  addEventListener("keydown", (event) => { if (event.key === "Escape") hide(); });
  addEventListener("pointerdown", (event) => { if (!event.target.closest("g.mark")) hide(); });

  // One stop of the Tab key for a picture; the arrow keys go from mark to mark.
  for (const chart of all("svg.chart")) {
    const marks = all("g.mark[tabindex]", chart);
    chart.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      const here = marks.indexOf(document.activeElement);
      if (!step || here < 0) return;
      event.preventDefault();
      const next = marks[(here + step + marks.length) % marks.length];
      marks[here].tabIndex = -1;
      next.tabIndex = 0;
      next.focus();
    });
  }

  // Headings of columns become buttons that sort.
  for (const table of all("table[data-sortable]")) {
    const heads = all("thead th", table);
    const body = table.tBodies[0];
    heads.forEach((head, column) => {
      if (!head.dataset.sort) return;
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      const value = (row) => row.cells[column].dataset.value ?? row.cells[column].textContent.trim();
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const order = (a, b) => {
          const [x, y] = [value(a), value(b)];
          if (x === "" || y === "") return (x === "") - (y === "");  // what is unknown stays last
          const result = head.dataset.sort === "number" ? Number(x) - Number(y) : x.localeCompare(y);
          return up ? result : -result;
        };
        body.append(...[...body.rows].sort(order));
      });
    });
  }

  // Values are copied with a click.
  const copyText = async (text) => {
    if (navigator.clipboard) {
      try {
        await navigator.clipboard.writeText(text);
        return true;
      } catch {
        // Not allowed here: the older way may be.
      }
    }
    const area = document.createElement("textarea");
    area.value = text;
    area.className = "unseen";
    document.body.append(area);
    area.select();
    const done = document.execCommand("copy");
    area.remove();
    return done;
  };
  for (const span of all("span.copy")) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "copy";
    button.title = "Copy";
    button.dataset.copy = span.dataset.copy;
    button.setAttribute("aria-label", `${span.textContent.trim()}, copy ${span.dataset.what}`);
    button.append(...span.childNodes);
    span.replaceWith(button);
    button.addEventListener("click", async () => {
      const done = await copyText(button.dataset.copy);
      const words = done ? `copied ${button.dataset.copy}` : `not copied: select ${button.dataset.copy} by hand`;
      button.focus();
      said.textContent = words;
      const box = button.getBoundingClientRect();
      tip.textContent = words;
      tip.hidden = false;
      const edge = document.documentElement.clientWidth - tip.offsetWidth - 8;
      tip.style.left = `${Math.max(Math.min(box.left, edge), 8) + scrollX}px`;
      tip.style.top = `${box.bottom + 6 + scrollY}px`;
      setTimeout(hide, 1600);
    });
  }

  // Further curves are shown on request.
  for (const item of all("li.switch")) {
    const figure = item.closest("figure");
    const lines = all("svg.chart [data-line]", figure).filter((part) => part.dataset.line === item.dataset.line);
    const button = document.createElement("button");
    button.type = "button";
    button.append(...item.childNodes);
    item.append(button);
    const set = (on) => {
      button.setAttribute("aria-pressed", String(on));
      for (const line of lines) line.classList.toggle("off", !on);
    };
    set(false);
    button.addEventListener("click", () => set(button.getAttribute("aria-pressed") === "false"));
  }

  // Light, dark, and red for eyes used to the dark.
  const schemes = ["light", "dark", "red"];
  const toggle = document.createElement("button");
  toggle.type = "button";
  toggle.className = "plain";
  let scheme = matchMedia("(prefers-color-scheme: dark)").matches ? 1 : 0;
  const name = () => { toggle.textContent = `Colours: ${schemes[scheme]}`; };
  toggle.addEventListener("click", () => {
    scheme = (scheme + 1) % schemes.length;
    document.documentElement.dataset.scheme = schemes[scheme];
    name();
  });
  name();
  document.querySelector(".top").append(toggle);

  // On paper everything is open.
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = all("details:not([open])");
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => { for (const one of closed) one.open = false; });
})();
