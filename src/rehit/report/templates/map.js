"use strict";
/* What no plug-in of the map does: say places as text, search them, thin them, name streets. */
const rehit = (function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const t = data.words;
  const byId = (id) => document.getElementById(id);
  const element = (name, text) => { const e = document.createElement(name); if (text !== undefined) e.textContent = text; return e; };
  const chosen = L.circleMarker([0, 0], { radius: 18, color: "#6b3a78", weight: 3, fill: false, interactive: false });
  let chart = null, layers = {}, places = [];

  /* Texts only ever enter the page as text. */
  function card(layer, few) {
    const told = layer.feature.properties, labels = data.labels[layer.rehitLayer] || [], box = element("div");
    box.append(element(few ? "strong" : "h3", told.t));
    const list = element("dl");
    (told.v || []).slice(0, few ? 5 : 20).forEach((value, i) => { if (value !== "") list.append(element("dt", labels[i]), element("dd", String(value))); });
    box.append(list);
    if (told.a && told.a.length) {
      const care = element("details"), lines = element("ul");
      care.open = !few;
      told.a.forEach((number) => lines.append(element("li", data.cautions[number])));
      care.append(element("summary", t.cautions), lines);
      box.append(care);
    }
    return box;
  }
  function tell(feature, layer) {
    if (!feature.properties.v) return;
    layer.bindPopup(() => card(layer, true), { maxWidth: 250, maxHeight: 260, autoPanPadding: [16, 16] });
    layer.bindTooltip(() => card(layer, true), { direction: "top", sticky: true });
    layer.on("popupopen", () => { layer.closeTooltip(); byId("details").replaceChildren(card(layer, false)); });
  }
  const where = (layer) => (layer.getLatLng ? layer.getLatLng() : layer.getBounds().getCenter());
  function choose(layer) {
    const told = layer.feature.properties;
    chart.setView(where(layer), Math.max(chart.getZoom(), told.z || 0, 16), { animate: false });
    thin();
    if (!layers.places.hasLayer(layer)) layers.places.addLayer(layer);
    if (!chart.hasLayer(layers.places)) layers.places.addTo(chart);
    layer.openPopup(where(layer));
    chosen.setLatLng(where(layer)).addTo(chart);
  }

  /* Places: fewer and smaller from afar. */
  function thin() {
    chart.getContainer().classList.toggle("far", chart.getZoom() < 15.5);
    if (!layers.places) return;
    const zoom = chart.getZoom(), size = Math.max(0.45, Math.min(1.2, Math.pow(2, (zoom - 15) * 0.5)));
    let there = 0, all = 0;
    places.slice().reverse().forEach((place) => { /* the worst last, so that they lie on top */
      const told = place.feature.properties, show = told.d && told.z <= zoom;
      all += told.d; there += show ? 1 : 0;
      if (show) { place.setRadius(told.r * size); if (!layers.places.hasLayer(place)) layers.places.addLayer(place); }
      else if (layers.places.hasLayer(place)) layers.places.removeLayer(place);
    });
    byId("thinned").textContent = there < all ? t.thinned.replace("##", all).replace("#", there) : "";
  }

  /* Streets: names where there is room for them. */
  const names = L.layerGroup();
  function nameStreets() {
    names.clearLayers();
    if (!layers.streets || chart.getZoom() < 16 || !chart.hasLayer(layers.streets)) return;
    const view = chart.getBounds().pad(-0.06), taken = [], middle = chart.getCenter();
    layers.streets.eachLayer((street) => {
      const name = street.feature.properties.t;
      if (!name || !street.getBounds().intersects(view)) return;
      let best = null;
      const seen = (point) => { if (view.contains(point) && (best === null || point.distanceTo(middle) < best.distanceTo(middle))) best = point; };
      const walk = (part) => { if (Array.isArray(part)) part.forEach(walk); else seen(part); };
      const lines = street.getLatLngs();
      walk(lines);
      (Array.isArray(lines[0]) ? lines : [lines]).forEach((line) => { for (let i = 1; i < line.length; i++) seen(L.latLng((line[i - 1].lat + line[i].lat) / 2, (line[i - 1].lng + line[i].lng) / 2)); });
      if (best === null) return;
      const at = chart.latLngToContainerPoint(best), half = 4 * name.length;
      if (at.x - half < 4 || at.x + half > chart.getSize().x - 4) return;
      if (taken.some((other) => Math.abs(other.y - at.y) < 18 && Math.abs(other.x - at.x) < half + other.half + 6)) return;
      taken.push({ x: at.x, y: at.y, half });
      names.addLayer(L.tooltip({ permanent: true, direction: "center", className: "street", interactive: false }).setLatLng(best).setContent(element("span", name)));
    });
  }

  /* Keyboard: Enter reads what is nearest to the middle. */
  function nearest() {
    const middle = chart.getCenter();
    let best = null, least = Infinity;
    ["places", "stops", "incidents"].forEach((name) => {
      if (best !== null || !layers[name] || !chart.hasLayer(layers[name])) return;
      layers[name].eachLayer((layer) => { const d = where(layer).distanceTo(middle); if (d < least) { least = d; best = layer; } });
    });
    return best;
  }
  function keys(box) {
    box.setAttribute("role", "application");
    box.setAttribute("aria-label", t.map_label);
    box.addEventListener("focus", () => box.classList.add("aim"));
    box.addEventListener("blur", () => box.classList.remove("aim"));
    box.addEventListener("keydown", (e) => { if (e.key !== "Enter" || e.target !== box) return; const layer = nearest(); if (layer) { layer.openPopup(where(layer)); chosen.setLatLng(where(layer)).addTo(chart); } });
  }

  /* Search among all places, drawn or not. */
  function search() {
    const field = byId("search"), results = byId("results");
    const haystack = places.map((p) => (p.feature.properties.t + " " + p.feature.properties.v[0] + " " + p.feature.properties.v[1]).toLocaleLowerCase());
    function find() {
      const needle = field.value.trim().toLocaleLowerCase(), found = [];
      haystack.forEach((text, i) => { if (needle === "" || text.includes(needle)) found.push(i); });
      byId("hits").textContent = found.length ? t.found.replace("#", found.length) : t.none_found;
      results.replaceChildren(...found.slice(0, 40).map((i) => {
        const told = places[i].feature.properties, button = element("button"), item = element("li"), line = element("span", told.s);
        button.type = "button"; line.className = "kindof";
        button.append(element("strong", told.t), line);
        button.addEventListener("click", () => { choose(places[i]); results.querySelectorAll("[aria-current]").forEach((b) => b.removeAttribute("aria-current")); button.setAttribute("aria-current", "true"); });
        item.append(button);
        return item;
      }));
    }
    field.addEventListener("input", find);
    field.addEventListener("keydown", (e) => { const first = results.querySelector("button"); if (e.key === "Enter" && first) first.click(); if (e.key === "ArrowDown" && first) { e.preventDefault(); first.focus(); } });
    find();
  }

  function controls(control) {
    L.control.zoom({ zoomInTitle: t.zoom_in, zoomOutTitle: t.zoom_out }).addTo(chart);
    L.control.scale({ imperial: data.imperial, metric: !data.imperial, maxWidth: 140 }).addTo(chart);
    if (window.matchMedia("(max-width: 80rem)").matches) { control.remove(); control.options.collapsed = true; control.addTo(chart); }
    const toggle = control.getContainer().querySelector(".leaflet-control-layers-toggle");
    toggle.textContent = t.layers; toggle.title = t.layers;
    control.getContainer().setAttribute("aria-label", t.layers);
    chart.on("popupopen", (e) => { const close = e.popup.getElement().querySelector(".leaflet-popup-close-button"); if (close) close.setAttribute("aria-label", t.close); });
  }

  function start(map, given, control) {
    chart = map; layers = given;
    Object.entries(layers).forEach(([name, group]) => group.eachLayer((layer) => { layer.rehitLayer = name; }));
    places = layers.places ? layers.places.getLayers() : [];
    const whole = () => chart.fitBounds(data.area, { animate: false, padding: [10, 10] });
    whole();
    byId("whole").addEventListener("click", () => { chart.closePopup(); chosen.remove(); whole(); });
    controls(control); keys(chart.getContainer()); search(); thin();
    names.addTo(chart);
    chart.on("zoomend", thin);
    chart.on("moveend overlayadd overlayremove", nameStreets);
    document.body.dataset.ready = "yes";
  }
  return { start, tell };
}());
