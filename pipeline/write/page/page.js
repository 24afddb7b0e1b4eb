"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const viewer = byId("viewer");
  if (!viewer || typeof DecompressionStream === "undefined") return;
  const packing = JSON.parse(byId("packing").textContent);
  const sources = Array.from(document.querySelectorAll("script.spectra"));
  if (!sources.length) return;
  const stage = byId("stage"), shown = byId("shown"), mark = byId("mark");
  const chooseStrip = byId("choose-strip"), chooseLayer = byId("choose-layer");
  const loaded = new Map();
  let strip = null, line = 0, sample = 0, kept = false;

  // The inverse of write/report/spectra.py: inflate, bring bytes together, add up along the bands.
  async function unpack(text, Kind, columns) {
    const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    const raw = new Uint8Array(await new Response(stream).arrayBuffer());
    const size = Kind.BYTES_PER_ELEMENT, count = raw.length / size, out = new Kind(count);
    for (let i = 0; i < count; i++) {
      let value = 0;
      for (let b = 0; b < size; b++) value |= raw[b * count + i] << (8 * b);
      out[i] = value + (i % columns ? out[i - 1] : 0);
    }
    return out;
  }

  async function load(index) {
    if (loaded.has(index)) return loaded.get(index);
    const from = JSON.parse(sources[index].textContent), bands = from.nm.length;
    const pixels = from.line[2] * from.sample[2];
    const [reflectance, flags, uncertainty, place] = await Promise.all([
      unpack(from.reflectance, Int16Array, bands),
      unpack(from.flags, Uint8Array, bands),
      from.uncertainty ? unpack(from.uncertainty, Uint16Array, bands) : null,
      from.place ? unpack(from.place, Int32Array, pixels) : null,
    ]);
    const made = { ...from, reflectance, flags, uncertainty, place, bands, pixels };
    loaded.set(index, made);
    return made;
  }

  function spectrum() {
    const at = (line * strip.sample[2] + sample) * strip.bands, out = [];
    for (let b = 0; b < strip.bands; b++) {
      const r = strip.reflectance[at + b], u = strip.uncertainty ? strip.uncertainty[at + b] : null;
      out.push({
        nm: strip.nm[b],
        r: r === packing.reflectance.fill ? null : r * packing.reflectance.step,
        u: u === null || u === packing.uncertainty.fill ? null : 2 * u * packing.uncertainty.step,
        flags: strip.flags[at + b],
      });
    }
    return out;
  }

  function words(bits) {
    return Object.entries(packing.flags).filter(([bit]) => bits & bit).map(([, name]) => name);
  }

  // "low signal in 4 of 60 bands (400 to 430 nm)"
  function flagText(points) {
    const out = [];
    for (const [bit, name] of Object.entries(packing.flags)) {
      const hit = points.filter((p) => p.flags & bit);
      if (!hit.length) continue;
      const ends = [hit[0].nm, hit[hit.length - 1].nm].map((nm) => nm.toFixed(0));
      const where = ends[0] === ends[1] ? `${ends[0]} nm` : `between ${ends[0]} and ${ends[1]} nm`;
      out.push(`${name} in ${hit.length} of ${points.length} bands (${where})`);
    }
    return out.length ? out.join("; ") : "none";
  }

  function position() {
    if (!strip.place) return "not known: no track";
    const at = line * strip.sample[2] + sample;
    const steps = [strip.place[at], strip.place[strip.pixels + at]];
    if (steps.some((s) => s < 0)) return "not known: outside the track";
    const [latitude, longitude] = steps.map((s, i) => strip.origin[i] + s * packing.place);
    const side = (value, plus, minus) => `${Math.abs(value).toFixed(6)}\u00b0 ${value < 0 ? minus : plus}`;
    return `latitude ${side(latitude, "N", "S")}, longitude ${side(longitude, "E", "W")}`;
  }

  function ticks(low, high, wanted) {
    const span = high - low, power = 10 ** Math.floor(Math.log10(span / wanted));
    const step = power * ([1, 2, 5].find((m) => span / (power * m) <= wanted + 0.5) || 10);
    const out = [];
    for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) out.push(i * step);
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    return out.map((value) => [value, value.toFixed(digits).replace("-", "\u2212")]);
  }

  function draw(points) {
    const width = Math.min(Math.max(byId("drawn").clientWidth, 320), 760), height = 250;
    const left = 50, right = width - 18, top = 28, bottom = height - 42;
    const values = points.filter((p) => p.r !== null).map((p) => p.r);
    let low = Math.min(0, ...values), high = Math.max(0.05, ...values);
    const room = (high - low) * 0.08;
    high += room;
    if (low < 0) low -= room;
    const x0 = points[0].nm, x1 = points[points.length - 1].nm;
    const x = (nm) => left + ((nm - x0) / (x1 - x0 || 1)) * (right - left);
    const y = (r) => bottom - ((r - low) / (high - low)) * (bottom - top);
    const place = (nm, r) => `${x(nm).toFixed(1)} ${y(r).toFixed(1)}`;
    let svg = "";
    for (const [value, text] of ticks(low, high, 5)) {
      const at = y(value).toFixed(1);
      svg += `<line class="grid" x1="${left}" x2="${right}" y1="${at}" y2="${at}"/>` +
        `<text x="${left - 6}" y="${+at + 4}" text-anchor="end">${text}</text>`;
    }
    for (const [value, text] of ticks(x0, x1, width > 500 ? 8 : 5)) {
      const at = x(value).toFixed(1);
      svg += `<line class="axis" x1="${at}" x2="${at}" y1="${bottom}" y2="${bottom + 4}"/>` +
        `<text x="${at}" y="${bottom + 17}" text-anchor="middle">${text}</text>`;
    }
    svg += `<path class="axis" d="M${left} ${top}V${bottom}H${right}"/>` +
      `<text x="${(left + right) / 2}" y="${height - 6}" text-anchor="middle">wavelength, nm</text>` +
      `<text x="4" y="14">reflectance factor</text>` +
      `<clipPath id="within"><rect x="${left}" y="${top}" width="${right - left}" height="${bottom - top}"/></clipPath><g clip-path="url(#within)">`;
    let band = "", path = "", run = [];
    const close = () => {
      if (run.length) {
        const there = run.map((p) => place(p.nm, p.r + p.u)).join("L");
        band += `M${there}L${run.slice().reverse().map((p) => place(p.nm, p.r - p.u)).join("L")}Z`;
      }
      run = [];
    };
    let joined = false;
    for (const p of points) {
      if (p.r === null || p.u === null) close(); else run.push(p);
      if (p.r !== null) path += joined ? `L${place(p.nm, p.r)}` : `M${place(p.nm, p.r)}h0`;
      joined = p.r !== null;
    }
    close();
    svg += `<path class="band" fill="#0072b2" d="${band}"/><path class="line" stroke="#0072b2" d="${path}"/></g>`;
    for (const p of points) {
      if (!p.flags) continue;
      const at = x(p.nm).toFixed(1);
      svg += `<line class="flagged" x1="${at}" x2="${at}" y1="${bottom - 6}" y2="${bottom}"/>`;
    }
    byId("drawn").innerHTML = `<svg viewBox="0 0 ${width} ${height}" role="img" aria-label="Spectrum at the mark; its values are in the table beside it">${svg}</svg>`;
  }

  function fill(points) {
    const rows = points.map((p) => {
      const row = document.createElement("tr");
      const cells = [p.nm.toFixed(1), p.r === null ? "blank" : p.r.toFixed(4),
        p.u === null ? "none" : p.u.toPrecision(3), words(p.flags).join(", ") || "none"];
      cells.forEach((text, i) => {
        const cell = document.createElement(i ? "td" : "th");
        if (!i) cell.scope = "row";
        cell.textContent = text;
        row.append(cell);
      });
      return row;
    });
    byId("values").replaceChildren(...rows);
  }

  function update(aloud) {
    const points = spectrum();
    const where = [strip.line[0] + line * strip.line[1], strip.sample[0] + sample * strip.sample[1]];
    mark.style.left = `${((where[0] + 0.5) / strip.lines) * 100}%`;
    mark.style.top = `${((where[1] + 0.5) / strip.samples) * 100}%`;
    const placed = `line ${where[0]}, sample ${where[1]}`, flagged = flagText(points);
    byId("fact-place").textContent = `${strip.cube}, ${placed}${kept ? " (kept: Escape lets go)" : ""}`;
    byId("fact-position").textContent = position();
    byId("fact-flags").textContent = flagged;
    draw(points);
    if (byId("table-of-values").open) fill(points);
    if (!aloud) return;
    const near = points.reduce((a, b) => (Math.abs(b.nm - 550) < Math.abs(a.nm - 550) ? b : a));
    const value = near.r === null ? "blank" : near.r.toFixed(3) +
      (near.u === null ? "" : ` plus or minus ${near.u.toPrecision(2)}`);
    byId("spoken").textContent = `${placed}; reflectance at ${near.nm.toFixed(0)} nm ${value}; flags: ${flagged}`;
  }

  function move(toLine, toSample, aloud) {
    line = Math.min(Math.max(toLine, 0), strip.line[2] - 1);
    sample = Math.min(Math.max(toSample, 0), strip.sample[2] - 1);
    update(aloud);
  }

  function under(event) {
    const box = stage.getBoundingClientRect();
    const at = [(event.clientX - box.left) / box.width * strip.lines, (event.clientY - box.top) / box.height * strip.samples];
    return [Math.round((at[0] - 0.5 - strip.line[0]) / strip.line[1]), Math.round((at[1] - 0.5 - strip.sample[0]) / strip.sample[1])];
  }

  function picture() {
    const source = byId(`picture-${chooseStrip.value}-${chooseLayer.value}`) ||
      document.querySelector(`[id^="picture-${chooseStrip.value}-"]`);
    shown.src = source.src;
    shown.alt = source.alt;
    shown.style.aspectRatio = source.style.aspectRatio;
    // A strip as wide as long would fill the window and hide its spectrum.
    stage.style.maxWidth = `${(26 * strip.lines) / strip.samples}rem`;
  }

  async function choose() {
    const index = Number(chooseStrip.value), next = await load(index);
    if (Number(chooseStrip.value) !== index) return;
    strip = next;
    kept = false;
    picture();
    const every = (step, things) => (step === 1 ? `every ${things}` : `one ${things} in ${step}`);
    const bands = strip.nm.length < packing.bands ? `, one band in ${Math.round(packing.bands / strip.nm.length)}` : "";
    byId("thin").textContent = `This page keeps the spectra of ${every(strip.line[1], "line")} and ${every(strip.sample[1], "sample")}${bands}; the cube file has them all.`;
    move(strip.line[2] >> 1, strip.sample[2] >> 1, false);
  }

  stage.addEventListener("pointermove", (event) => {
    if (strip && !kept && event.pointerType === "mouse") move(...under(event), false);
  });
  stage.addEventListener("click", (event) => {
    if (!strip) return;
    kept = true;
    move(...under(event), true);
  });
  stage.addEventListener("keydown", (event) => {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],
      PageUp: [-10, 0], PageDown: [10, 0] }[event.key];
    if (!strip || event.ctrlKey || event.metaKey || event.altKey) return;
    if (steps) {
      event.preventDefault();
      kept = true;
      move(line + steps[0], sample + steps[1], true);
    } else if (event.key === "Escape") {
      kept = false;
      update(false);
    }
  });
  byId("table-of-values").addEventListener("toggle", () => { if (strip) fill(spectrum()); });
  chooseStrip.addEventListener("change", choose);
  chooseLayer.addEventListener("change", picture);
  for (const button of document.querySelectorAll("button.pick")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      chooseStrip.value = button.dataset.strip;
      choose();
      viewer.scrollIntoView();
      stage.focus({ preventScroll: true });
    });
  }
  let timer = 0;
  window.addEventListener("resize", () => {
    clearTimeout(timer);
    timer = setTimeout(() => { if (strip) draw(spectrum()); }, 100);
  });
  // Folded parts are printed too.
  window.addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("details")) folded.open = true;
  });
  viewer.hidden = false;
  choose();
})();
