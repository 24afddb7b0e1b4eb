"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const facts = JSON.parse(byId("facts").textContent);
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const strips = [...document.querySelectorAll(".strip-data")].map((element) => {
    const strip = JSON.parse(element.textContent);
    // Little-endian, whatever the machine is.
    const raw = new DataView(bytes(strip.counts).buffer);
    strip.at = (index) => raw.getUint16(2 * index, true);
    strip.full = bytes(strip.saturated);
    return strip;
  });
  if (!strips.length) return;
  const over = [...document.querySelectorAll("svg.over")];
  const own = over.map((svg) => svg.querySelector("rect.own"));
  const inputs = ["line-from", "line-to", "sample-from", "sample-to"].map(byId);
  const given = new Map(); // panel's name to the text of its windows
  let shown = null; // {strip, lines: [a, b], samples: [c, d]}

  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  function fit(window_) {
    const strip = strips[window_.strip];
    const span = ([a, b], most) => {
      const low = clamp(Math.round(Math.min(a, b)), 0, most - 1);
      return [low, clamp(Math.round(Math.max(a, b)), low + 1, most)];
    };
    return {
      strip: window_.strip,
      lines: span(window_.lines, strip.lines),
      samples: span(window_.samples, strip.samples),
    };
  }

  function show(window_) {
    shown = fit(window_);
    own.forEach((rect, i) => rect.toggleAttribute("hidden", i !== shown.strip));
    const rect = own[shown.strip];
    const [a, b] = shown.lines, [c, d] = shown.samples;
    for (const [key, value] of Object.entries({ x: a, y: c, width: b - a, height: d - c }))
      rect.setAttribute(key, value);
    byId("strip").value = shown.strip;
    [a, b, c, d].forEach((value, i) => { inputs[i].value = value; });
    report();
  }

  // Blocks whose middle lies within the window; the one nearest to its middle where none does.
  function within([low, high], step, count, most) {
    const middles = [...Array(count).keys()].map((i) =>
      (i * step + Math.min((i + 1) * step, most)) / 2);
    const inside = middles.map((m, i) => (m >= low && m < high ? i : -1)).filter((i) => i >= 0);
    if (inside.length) return inside;
    const middle = (low + high) / 2;
    const away = middles.map((m) => Math.abs(m - middle));
    return [away.indexOf(Math.min(...away))];
  }

  function measured() {
    const strip = strips[shown.strip];
    const [groups, rows, columns] = strip.shape;
    const of = within(shown.lines, strip.lineStep, rows, strip.lines);
    const at = within(shown.samples, strip.sampleStep, columns, strip.samples);
    const number = of.length * at.length;
    const mean = [], spread = [];
    for (let g = 0; g < groups; g++) {
      let sum = 0, squares = 0;
      for (const row of of) for (const column of at) {
        const value = strip.at((g * rows + row) * columns + column);
        sum += value;
        squares += value * value;
      }
      mean.push(sum / number);
      spread.push(Math.sqrt(Math.max(squares / number - (sum / number) ** 2, 0)) / (sum / number || 1));
    }
    let full = 0;
    for (const row of of) for (const column of at) full += strip.full[row * columns + column] / 255;
    spread.sort((a, b) => a - b);
    return { strip, mean, full: full / number, spread: spread[spread.length >> 1], rows: of.length, columns: at.length };
  }

  function report() {
    const m = measured();
    const most = Math.max(...m.mean);
    byId("brightest").textContent = `${most.toFixed(0)} counts near ${m.strip.nm[m.mean.indexOf(most)].toFixed(0)} nm`;
    byId("saturated").textContent = `${(100 * m.full).toFixed(m.full && m.full < 0.1 ? 1 : 0)} % of the samples in some band`;
    byId("uniformity").textContent = `varies by ${(100 * m.spread).toFixed(1)} % between blocks of samples`;
    byId("from").textContent = `${m.rows} of the lines shown, ${m.columns} blocks of up to ${m.strip.sampleStep} samples`;
    byId("spectrum").replaceChildren(chart(m.strip.nm, m.mean));
    byId("text").value = panelText();
  }

  function chart(nm, counts) {
    const make = (name, attributes, text) => {
      const element = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
      if (text !== undefined) element.textContent = text;
      return element;
    };
    const svg = make("svg", { viewBox: "0 0 480 190", role: "img", "aria-label": "Mean counts over wavelength" });
    const low = nm[0], high = nm[nm.length - 1], top = Math.max(...counts, 1);
    const x = (w) => 50 + 420 * (w - low) / (high - low || 1), y = (v) => 160 - 145 * v / top;
    for (const share of [0, 0.5, 1]) {
      svg.append(make("path", { d: `M50 ${y(share * top)}H470`, stroke: "#dfe3e6" }));
      svg.append(make("text", { x: 44, y: y(share * top) + 4, "text-anchor": "end" }, (share * top).toFixed(0)));
    }
    for (const w of [low, (low + high) / 2, high])
      svg.append(make("text", { x: x(w), y: 180, "text-anchor": w === high ? "end" : "middle" }, `${w.toFixed(0)} nm`));
    const points = nm.map((w, i) => `${x(w).toFixed(1)},${y(counts[i]).toFixed(1)}`).join(" ");
    svg.append(make("polyline", { points, fill: "none", stroke: "#0072b2", "stroke-width": 2 }));
    return svg;
  }

  const quoted = (text) => JSON.stringify(text).replace(/\u007f/g, "\\u007f");
  const place = () => `{ cube = ${quoted(strips[shown.strip].cube)}, lines = [${shown.lines.join(", ")}], samples = [${shown.samples.join(", ")}] }`;
  const chosen = () => facts.panels[Number(byId("panel").value)];

  function panelText(where = place()) {
    const panel = chosen();
    const name = panel ? panel.name : "name-of-the-panel";
    const certificate = panel ? panel.certificate : "certificate.csv";
    return `[[panel]]\nname = ${quoted(name)}\ncertificate = ${quoted(certificate)}\nwhere = ${where}\n`;
  }

  // How far a value that begins on a line goes on: until its brackets are closed.
  function end(lines, first) {
    let depth = 0;
    for (let i = first; i < lines.length; i++) {
      const bare = lines[i].replace(/"(?:[^"\\]|\\.)*"|'[^']*'|#.*/g, "");
      depth += (bare.match(/[[{]/g) || []).length - (bare.match(/[\]}]/g) || []).length;
      if (depth <= 0) return i + 1;
    }
    return lines.length;
  }

  // The config with a panel's place replaced, all else as it was.
  function withPlace(text, panel, where) {
    const lines = text.split("\n");
    for (let i = 0; i < lines.length; i++) {
      if (!/^\s*\[\[\s*panel\s*\]\]/.test(lines[i])) continue;
      let stop = i + 1;
      while (stop < lines.length && !/^\s*\[/.test(lines[stop])) stop = end(lines, stop);
      const block = lines.slice(i, stop);
      const named = block.some((line) => {
        const match = /^\s*name\s*=\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)')/.exec(line);
        return match && (match[1] ?? match[2]) === panel.name;
      });
      if (!named) continue;
      const at = block.findIndex((line) => /^\s*where\s*=/.test(line));
      const written = `where = ${where}  # from the page`;
      if (at < 0) block.splice(1, 0, written);
      else block.splice(at, end(block, at) - at, written);
      return [...lines.slice(0, i), ...block, ...lines.slice(stop)].join("\n");
    }
    return `${text.trimEnd()}\n\n[[panel]]\nname = ${quoted(panel.name)}\ncertificate = ${quoted(panel.certificate)}\nwhere = ${where}\n`;
  }

  function config() {
    let text = facts.config;
    for (const [name, where] of given)
      text = withPlace(text, facts.panels.find((panel) => panel.name === name), where);
    return text;
  }

  const say = (text) => { byId("done").textContent = text; };

  byId("take").addEventListener("click", () => {
    const panel = chosen();
    if (!shown || !panel) { say(panel ? "Drag a window first." : "There is no panel to give it to."); return; }
    given.set(panel.name, place());
    byId("config").value = config();
    say(`${panel.name}: ${strips[shown.strip].cube}, lines ${shown.lines.join(" to ")}, samples ${shown.samples.join(" to ")}. Download the config when all panels have theirs.`);
  });

  byId("copy").addEventListener("click", async () => {
    const area = byId("text");
    area.select();
    let copied = document.execCommand("copy");
    if (!copied && navigator.clipboard) copied = await navigator.clipboard.writeText(area.value).then(() => true, () => false);
    say(copied ? "Copied." : "Select the text and copy it.");
  });

  byId("download").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([config()], { type: "application/toml" }));
    link.download = facts.configName;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });

  byId("panel").addEventListener("change", () => { if (shown) byId("text").value = panelText(); });
  const typed = () => {
    const [a, b, c, d] = inputs.map((input) => Number(input.value));
    if (inputs.every((input) => input.value !== "")) show({ strip: Number(byId("strip").value), lines: [a, b], samples: [c, d] });
  };
  inputs.forEach((input) => input.addEventListener("change", typed));
  byId("strip").addEventListener("change", typed);

  over.forEach((svg, strip) => {
    let from = null;
    const point = (event) => {
      const box = svg.getBoundingClientRect();
      return [
        (event.clientX - box.left) / box.width * strips[strip].lines,
        (event.clientY - box.top) / box.height * strips[strip].samples,
      ];
    };
    svg.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      from = point(event);
      svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", (event) => {
      if (!from) return;
      const to = point(event);
      show({ strip, lines: [from[0], to[0]], samples: [from[1], to[1]] });
    });
    const stop = () => { from = null; };
    svg.addEventListener("pointerup", stop);
    svg.addEventListener("pointercancel", stop);
    svg.addEventListener("keydown", (event) => {
      const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const move = moves[event.key];
      if (!move) return;
      event.preventDefault();
      const { lines, samples } = strips[strip];
      const now = shown && shown.strip === strip ? shown
        : { strip, lines: [lines / 2 - 20, lines / 2 + 20], samples: [samples / 2 - 20, samples / 2 + 20] };
      const first = event.shiftKey ? 0 : 1;
      const moved = (span, by, most) => {
        const step = clamp(by, first ? -span[0] : span[0] + 1 - span[1], most - span[1]);
        return [span[0] + first * step, span[1] + step];
      };
      show({ strip, lines: moved(now.lines, move[0], lines), samples: moved(now.samples, move[1], samples) });
    });
  });

  byId("config").value = facts.config;
  byId("tool").hidden = false;
})();
