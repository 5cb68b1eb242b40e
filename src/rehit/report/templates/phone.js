// Keeps what the crew enters on the phone itself and hands it over as a file; no server, no network.
"use strict";
(() => {
  const day = JSON.parse(document.getElementById("day").textContent);
  const key = `rehit ${day.project} ${day.day} ${day.crew}`;
  const fields = ["outcome", "why", "minutes", "litres", "materials", "remarks", "photo"];
  const longestSide = 1024;
  let kept = {};
  const fail = () => { document.getElementById("no-store").hidden = false; };
  try {
    kept = JSON.parse(window.localStorage.getItem(key) || "{}") || {};
  } catch { fail(); }

  function store() {
    try { window.localStorage.setItem(key, JSON.stringify(kept)); } catch { fail(); }
    count();
  }

  function count() {
    let n = 0;
    for (const form of document.forms) {
      const told = Boolean((kept[form.dataset.stop] || {}).outcome);
      n += told ? 1 : 0;
      form.closest("li").classList.toggle("told", told);
    }
    document.getElementById("told").textContent =
      day.words.told.replace("{n}", n).replace("{all}", document.forms.length);
  }

  function show(form, entry) {
    for (const name of fields) {
      const field = form.elements[name];
      if (name === "photo") {
        form.querySelector(".photo").textContent = entry.photo ? day.words.photo_kept : "";
      } else if (entry[name]) {
        field.value = entry[name];
      }
    }
    form.querySelector(".why").hidden = entry.outcome !== "left";
  }

  function smaller(file) {
    return new Promise((done, refused) => {
      const reader = new FileReader();
      reader.onerror = refused;
      reader.onload = () => {
        const image = new Image();
        image.onerror = refused;
        image.onload = () => {
          const share = Math.min(1, longestSide / Math.max(image.width, image.height));
          const canvas = document.createElement("canvas");
          canvas.width = Math.max(1, Math.round(image.width * share));
          canvas.height = Math.max(1, Math.round(image.height * share));
          canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
          done(canvas.toDataURL("image/jpeg", 0.7));
        };
        image.src = reader.result;
      };
      reader.readAsDataURL(file);
    });
  }

  for (const form of document.forms) {
    const stop = form.dataset.stop;
    show(form, kept[stop] || {});
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("input", async (event) => {
      const entry = kept[stop] || (kept[stop] = {});
      const { name, value, files } = event.target;
      if (name === "photo") {
        if (!files.length) { return; }
        try { entry.photo = await smaller(files[0]); } catch {
          form.querySelector(".photo").textContent = day.words.photo_bad;
          return;
        }
      } else {
        entry[name] = value;
      }
      show(form, entry);
      store();
    });
  }
  count();

  function rows() {
    return day.stops.map((stop) => {
      const entry = kept[stop.stop_id] || {};
      const told = { day: day.day, crew: day.crew, ...stop };
      for (const name of fields) { told[name] = entry[name] || ""; }
      return told;
    });
  }

  // A cell that a spreadsheet could take for a formula gets an apostrophe.
  const safe = (text) => (/^\s*[=+\-@|\t\r]/.test(text) && !/^[+-]?[\d.,]+$/.test(text))
    ? `'${text}` : text;
  const cell = (text) => `"${safe(String(text ?? "")).replaceAll('"', '""')}"`;

  function hand(content, kind, ending) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([content], { type: kind }));
    link.download = `${day.file}.${ending}`;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  document.getElementById("save-csv").addEventListener("click", () => {
    const told = rows().map((row) => ({ ...row, photo: row.photo ? day.words.yes : "" }));
    const names = Object.keys(told[0]);
    const lines = [names, ...told.map((row) => names.map((name) => row[name]))];
    hand("\ufeff" + lines.map((line) => line.map(cell).join(",")).join("\r\n") + "\r\n",
      "text/csv", "csv");
  });
  document.getElementById("save-json").addEventListener("click", () => {
    hand(JSON.stringify(rows(), null, 1), "application/json", "json");
  });
})();
