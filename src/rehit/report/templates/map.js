"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const t = data.words;
  const at = (x, y) => L.latLng(y, x);
  const pairs = (flat) => { const out = []; for (let i = 0; i < flat.length; i += 2) out.push(at(flat[i], flat[i + 1])); return out; };
  const map = L.map("map", {
    crs: L.CRS.Simple, zoomSnap: 0.5, zoomDelta: 1, minZoom: -9, maxZoom: 3, zoomControl: false,
    attributionControl: false, zoomAnimation: false, fadeAnimation: false, preferCanvas: true,
    wheelPxPerZoomLevel: 90, keyboardPanDelta: 110
  });
  L.control.zoom({ zoomInTitle: t.zoom_in, zoomOutTitle: t.zoom_out }).addTo(map);
  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);

  /* One canvas per kind of thing: drawn anew after each move, thousands of points at a time. */
  const Painter = L.Layer.extend({
    initialize: function (paint, order) { this._paint = paint; this._order = order; },
    onAdd: function () {
      this._canvas = L.DomUtil.create("canvas", "leaflet-layer");
      this._canvas.setAttribute("aria-hidden", "true");
      this._canvas.style.pointerEvents = "none";
      this._canvas.style.zIndex = this._order;
      map.getPane("overlayPane").appendChild(this._canvas);
      map.on("moveend resize", this._draw, this);
      this._draw();
    },
    onRemove: function () { this._canvas.remove(); map.off("moveend resize", this._draw, this); },
    _draw: function () {
      const size = map.getSize(), pad = size.multiplyBy(0.25).round(), ratio = window.devicePixelRatio || 1;
      const full = size.add(pad.multiplyBy(2)), corner = map.containerPointToLayerPoint(pad.multiplyBy(-1));
      const c = this._canvas;
      c.width = full.x * ratio; c.height = full.y * ratio;
      c.style.width = full.x + "px"; c.style.height = full.y + "px";
      L.DomUtil.setPosition(c, corner);
      const g = c.getContext("2d"), scale = Math.pow(2, map.getZoom());
      const zero = map.latLngToLayerPoint(at(0, 0)).subtract(corner);
      g.scale(ratio, ratio);
      this._paint(g, (x) => zero.x + x * scale, (y) => zero.y - y * scale, full);
    }
  });

  const outline = (g, px, py, flat) => { g.moveTo(px(flat[0]), py(flat[1])); for (let i = 2; i < flat.length; i += 2) g.lineTo(px(flat[i]), py(flat[i + 1])); };
  const radius = (rate) => (3.5 + 12 * Math.sqrt(rate / topRate)) * Math.max(0.35, Math.min(1.2, Math.pow(Math.pow(2, map.getZoom()) / 0.35, 0.75)));
  const topRate = data.places.reduce((m, p) => Math.max(m, p[6]), 1e-9);
  const shade = (chance) => data.ramp[Math.min(data.ramp.length - 1, Math.floor(chance * data.ramp.length))];
  const dots = data.incidents.xy;

  const layers = {
    streets: new Painter((g, px, py) => { g.strokeStyle = data.colours.street; g.lineWidth = Math.max(1, Math.min(4, 1.2 + (map.getZoom() + 3) * 0.6)); g.beginPath(); data.streets.forEach((s) => outline(g, px, py, s)); g.stroke(); }, 1),
    cells: new Painter((g, px, py) => {
      g.strokeStyle = data.colours.cell; g.lineWidth = 1.2;
      data.cells.forEach((c) => c[0].forEach((ring) => {
        g.save(); g.beginPath(); outline(g, px, py, ring); g.closePath(); g.stroke(); g.clip();
        const xs = ring.filter((_, i) => i % 2 === 0), ys = ring.filter((_, i) => i % 2);
        const x0 = px(Math.min(...xs)), x1 = px(Math.max(...xs)), y0 = py(Math.max(...ys)), y1 = py(Math.min(...ys));
        g.beginPath(); for (let x = x0 - (y1 - y0); x < x1; x += 7) { g.moveTo(x, y1); g.lineTo(x + (y1 - y0), y0); }
        g.globalAlpha = 0.6; g.stroke(); g.restore();
      }));
    }, 2),
    routes: new Painter((g, px, py) => { g.strokeStyle = data.colours.route; g.lineWidth = 4; g.lineJoin = "round"; g.beginPath(); data.routes.forEach((r) => r[0].forEach((part) => outline(g, px, py, part))); g.stroke(); }, 3),
    incidents: new Painter((g, px, py, full) => {
      const r = Math.max(1.6, Math.min(5, 2 + (map.getZoom() + 2) * 0.7)); g.fillStyle = data.colours.incident; g.globalAlpha = 0.7;
      for (let i = 0; i < dots.length; i += 2) { const x = px(dots[i]), y = py(dots[i + 1]); if (x < -9 || y < -9 || x > full.x + 9 || y > full.y + 9) continue; g.fillRect(x - r, y - r, 2 * r, 2 * r); }
    }, 4),
    clusters: new Painter((g, px, py) => { g.strokeStyle = data.colours.cluster; g.lineWidth = 2.5; g.setLineDash([8, 5]); g.beginPath(); data.clusters.forEach((c) => c[0].forEach((ring) => { outline(g, px, py, ring); g.closePath(); })); g.stroke(); }, 5),
    places: new Painter((g, px, py, full) => {
      g.strokeStyle = "#1c2b36"; g.lineWidth = 0.8;
      for (let i = data.places.length - 1; i >= 0; i--) {
        const p = data.places[i]; if (!p[11]) continue;
        const x = px(p[0]), y = py(p[1]); if (x < -20 || y < -20 || x > full.x + 20 || y > full.y + 20) continue;
        g.fillStyle = shade(p[8]); g.beginPath(); g.arc(x, y, radius(p[6]), 0, 7); g.fill(); g.stroke();
      }
      if (chosen) { g.strokeStyle = "#6b3a78"; g.lineWidth = 3; g.beginPath(); g.arc(px(chosen[0]), py(chosen[1]), 20, 0, 7); g.stroke(); }
    }, 6)
  };
  let chosen = null;
  const shown = (name) => map.hasLayer(layers[name]);

  /* What is there: texts only ever enter the page as text. */
  const place = (p) => ({ title: p[2], xy: p, rows: [[t.kind, p[3]], [t.n_incidents, p[4]], [t.n_rehits, p[5]], [t.rate_year, p[7]], [t.over, p[9]], [t.address, p[10]]] });
  const incident = (i) => { const d = data.incidents; return { title: t.incident + " " + d.id[i], xy: [dots[2 * i], dots[2 * i + 1]], rows: [[t.reported, d.reported[i]], [t.cleared, d.cleared[i]], [t.state, d.states[d.state[i]]], [t.surface, d.surfaces[d.surface[i]]], [t.address, d.address[i]], [t.description, d.text[i]]] }; };
  const inside = (ring, x, y) => { let hit = false; for (let i = 0, j = ring.length - 2; i < ring.length; j = i, i += 2) { if ((ring[i + 1] > y) !== (ring[j + 1] > y) && x < (ring[j] - ring[i]) * (y - ring[i + 1]) / (ring[j + 1] - ring[i + 1]) + ring[i]) hit = !hit; } return hit; };
  function nearest(x, y, reach) {
    let best = null, limit = reach * reach;
    if (shown("places")) data.places.forEach((p) => { if (!p[11]) return; const r = Math.max(reach, radius(p[6]) / Math.pow(2, map.getZoom())), d = (p[0] - x) ** 2 + (p[1] - y) ** 2; if (d < r * r && (best === null || d < limit)) { limit = d; best = () => place(p); } });
    if (best === null && shown("incidents")) { let at = -1; for (let i = 0; i < dots.length; i += 2) { const d = (dots[i] - x) ** 2 + (dots[i + 1] - y) ** 2; if (d < limit) { limit = d; at = i / 2; } } if (at >= 0) best = () => incident(at); }
    if (best === null && shown("clusters")) { const c = data.clusters.find((k) => k[0].some((ring) => inside(ring, x, y))); if (c) best = () => ({ title: t.cluster + ": " + c[1], xy: [x, y], rows: [[t.n_incidents, c[2]], [t.n_rehits, c[3]], [t.rate_year, c[4]]] }); }
    if (best === null && shown("cells")) { const c = data.cells.find((k) => k[0].some((ring) => inside(ring, x, y))); if (c) best = () => ({ title: t.cell + " " + c[1], xy: [x, y], rows: [[t.n_incidents, c[2]], [t.z, c[3]]] }); }
    if (best === null && shown("routes")) { data.routes.forEach((r) => r[0].forEach((part) => { for (let i = 0; i + 3 < part.length; i += 2) { const q = L.LineUtil.closestPointOnSegment(L.point(x, y), L.point(part[i], part[i + 1]), L.point(part[i + 2], part[i + 3])), d = (q.x - x) ** 2 + (q.y - y) ** 2; if (d < limit) { limit = d; best = () => ({ title: t.route + " " + r[1], xy: [x, y], rows: [[t.stops, r[2]], [t.length, r[3]], [t.minutes, r[4]]] }); } } })); }
    return best === null ? null : best();
  }
  function element(name, text) { const e = document.createElement(name); if (text !== undefined) e.textContent = text; return e; }
  function brief(item) { const box = element("div"); box.append(element("strong", item.title)); item.rows.slice(0, 4).forEach((r) => { if (r[1] !== "") box.append(element("div", r[0] + ": " + r[1])); }); return box; }
  function tell(item) {
    const list = element("dl"); item.rows.forEach((r) => { if (r[1] !== "") list.append(element("dt", r[0]), element("dd", String(r[1]))); });
    document.getElementById("details").replaceChildren(element("h3", item.title), list);
  }
  const popup = L.popup({ maxWidth: 260, autoPanPadding: [16, 16] });
  function choose(item, move) {
    chosen = item.xy; tell(item);
    if (move) map.setView(at(item.xy[0], item.xy[1]), Math.max(map.getZoom(), -1), { animate: false });
    popup.setLatLng(at(item.xy[0], item.xy[1])).setContent(brief(item)).openOn(map);
    if (shown("places")) layers.places._draw();
  }
  const reachOf = (pixels) => pixels / Math.pow(2, map.getZoom());
  map.on("click", (e) => { const item = nearest(e.latlng.lng, e.latlng.lat, reachOf(14)); if (item) choose(item, false); });
  const tip = L.tooltip({ direction: "top", offset: [0, -8] });
  let last = 0;
  map.on("mousemove", (e) => {
    const now = performance.now(); if (now - last < 40) return; last = now;
    const item = nearest(e.latlng.lng, e.latlng.lat, reachOf(7));
    if (!item) { map.closeTooltip(tip); return; }
    tip.setLatLng(at(item.xy[0], item.xy[1])).setContent(brief(item)); map.openTooltip(tip);
  });
  const box = map.getContainer();
  box.addEventListener("focus", () => box.classList.add("aim"));
  box.addEventListener("blur", () => box.classList.remove("aim"));
  box.addEventListener("keydown", (e) => {
    if (e.key !== "Enter" || e.target !== box) return;
    const c = map.getCenter(), item = nearest(c.lng, c.lat, reachOf(160)); if (item) choose(item, false);
  });

  /* Layers, search, whole area. */
  document.querySelectorAll("[data-layer]").forEach((input) => {
    const set = () => { if (input.checked) layers[input.dataset.layer].addTo(map); else layers[input.dataset.layer].remove(); };
    input.addEventListener("change", set); input.setter = set;
  });
  const area = L.latLngBounds([]);
  const spread = data.places.map((p) => [p[0], p[1]]);
  if (!spread.length) for (let i = 0; i < dots.length; i += 2) spread.push([dots[i], dots[i + 1]]);
  if (!spread.length) data.streets.forEach((s) => spread.push([s[0], s[1]]));
  const middle = (k) => { const v = spread.map((p) => p[k]).sort((a, b) => a - b), cut = Math.floor(v.length * 0.005); return [v[cut], v[v.length - 1 - cut]]; };
  if (spread.length) { const x = middle(0), y = middle(1); area.extend(at(x[0] - 30, y[0] - 30)).extend(at(x[1] + 30, y[1] + 30)); } else area.extend(at(0, 0)).extend(at(1000, 1000));
  const wholeArea = () => map.fitBounds(area, { animate: false, padding: [10, 10] });
  wholeArea();
  document.querySelectorAll("[data-layer]").forEach((input) => input.setter());
  document.getElementById("whole").addEventListener("click", () => { map.closePopup(); wholeArea(); });
  const field = document.getElementById("search"), results = document.getElementById("results"), hits = document.getElementById("hits");
  const haystack = data.places.map((p) => (p[2] + " " + p[3] + " " + p[10]).toLocaleLowerCase());
  function find() {
    const needle = field.value.trim().toLocaleLowerCase(), found = [];
    haystack.forEach((text, i) => { if (needle === "" || text.includes(needle)) found.push(i); });
    hits.textContent = found.length ? t.found.replace("#", found.length) : t.none_found;
    results.replaceChildren(...found.slice(0, 40).map((i) => {
      const p = data.places[i], button = element("button"), item = element("li");
      button.type = "button";
      button.append(element("strong", p[2]), " ");
      const kind = element("span", (p[3] ? p[3] + " · " : "") + t.per_year.replace("#", p[7])); kind.className = "kindof"; button.append(kind);
      button.addEventListener("click", () => { choose(place(p), true); results.querySelectorAll("[aria-current]").forEach((b) => b.removeAttribute("aria-current")); button.setAttribute("aria-current", "true"); });
      item.append(button); return item;
    }));
  }
  field.addEventListener("input", find);
  field.addEventListener("keydown", (e) => { const first = results.querySelector("button"); if (e.key === "Enter" && first) first.click(); if (e.key === "ArrowDown" && first) { e.preventDefault(); first.focus(); } });
  find();
  document.body.dataset.ready = "yes";
}());
