"use strict";
/* Each figure opens its log rows, a page of them at a time. */
(function () {
  const data = JSON.parse(document.getElementById("data").textContent), t = data.words;
  const element = (name, text) => { const e = document.createElement(name); if (text !== undefined) e.textContent = text; return e; };
  function rowsOf(id) {
    const all = [];
    data.behind[id].forEach((run) => { for (let i = 0; i < run[1]; i++) all.push(run[0] + i); });
    return all;
  }
  function fill(details) {
    const box = details.querySelector(".rowbox");
    if (!box || box.dataset.filled) return;
    box.dataset.filled = "yes";
    const all = rowsOf(details.dataset.figure), size = data.at_once;
    let first = 0;
    const table = element("table"), body = element("tbody"), head = element("thead"), line = element("tr");
    [t.col_row, t.col_case, t.col_day, t.col_address].forEach((text) => { const th = element("th", text); th.scope = "col"; line.append(th); });
    head.append(line); table.append(head, body);
    const scroll = element("div"), said = element("span"), back = element("button", t.earlier), on = element("button", t.later), bar = element("p");
    scroll.className = "scroll"; scroll.tabIndex = 0; scroll.setAttribute("role", "region"); scroll.setAttribute("aria-label", details.querySelector("summary").textContent.trim());
    said.setAttribute("role", "status"); back.type = on.type = "button"; bar.className = "pager";
    scroll.append(table); bar.append(back, on, said); box.append(scroll, bar);
    function show() {
      body.replaceChildren(...all.slice(first, first + size).map((at) => { const row = element("tr"); data.rows[at].forEach((text, i) => { const cell = element(i ? "td" : "th", text); if (!i) cell.scope = "row"; row.append(cell); }); return row; }));
      said.textContent = t.shown.replace("{first}", first + 1).replace("{last}", Math.min(first + size, all.length)).replace("{all}", all.length);
      back.disabled = first === 0; on.disabled = first + size >= all.length; bar.hidden = all.length <= size;
    }
    back.addEventListener("click", () => { first = Math.max(0, first - size); show(); });
    on.addEventListener("click", () => { first += size; show(); });
    show();
  }
  document.querySelectorAll("details").forEach((d) => d.addEventListener("toggle", () => { if (d.open) fill(d); }));
  function follow() {
    const asked = document.getElementById(decodeURIComponent(window.location.hash.slice(1)));
    if (asked && asked.tagName === "DETAILS") { asked.open = true; fill(asked); asked.scrollIntoView(); asked.querySelector("summary").focus(); }
  }
  window.addEventListener("hashchange", follow);
  follow();
  document.body.dataset.ready = "yes";
}());
