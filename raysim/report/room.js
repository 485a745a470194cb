"use strict";
// Draws what room_page.py has put into the page. Every number was computed there.

const INK = "#1c2733", UNKNOWN = "#fff", NONE = "none", LABEL_OFF_WALL_M = 0.3;
const COMPACT = 1.85; // diagonal over the side of a cube of equal volume, for which the views are
const VIEWS = {
  "the rear, above": [-0.9, -1.56, 1.14], "the left": [-1.8, 0.1, 0.5], "the right": [1.8, 0.1, 0.5],
  "above": [0.001, -0.01, 1.8], "the front": [0.1, 1.8, 0.5],
};
const BYTES = { float32: Float32Array, int32: Int32Array };
const at = (id) => document.getElementById(id);

async function unpacked(id) {
  const bytes = Uint8Array.from(atob(at(id).textContent.trim()), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(stream).arrayBuffer();
}

function fill(id, names) {
  at(id).replaceChildren(...names.map((name) => new Option(name, name)));
}

const only = (list) => [...new Set(list)];

/** Lines as one trace: the ends of each, with gaps between. */
function lines(strips, look, more) {
  const rows = [[], [], []];
  for (const strip of strips) {
    for (const k of [0, 1, 2]) rows[k].push(...strip.map((p) => p[k]), null);
  }
  return { type: "scatter3d", mode: "lines", x: rows[0], y: rows[1], z: rows[2], line: look,
    hoverinfo: "skip", showlegend: false, ...more };
}

function points(named, marker) {
  const [x, y, z] = [0, 1, 2].map((k) => named.map((one) => one.at[k]));
  return { type: "scatter3d", mode: "markers+text", x, y, z, marker, hoverinfo: "skip",
    text: named.map((one) => one.name), textposition: "top center",
    textfont: { color: INK, size: 13 }, showlegend: false };
}

/** Value and error with the digits that the error leaves, as everywhere in the report. */
function digits(value, error) {
  if (!(error > 0)) return [Number(value.toPrecision(3)).toString(), "0"];
  const exponent = Math.floor(Math.log10(error));
  const leading = Number((error / 10 ** exponent).toFixed(6));
  const places = Math.min(Math.max(0, (leading < 1.95 ? 1 : 0) - exponent), 9);
  return [value.toFixed(places), error.toFixed(places)];
}

class Room {
  constructor(model, numbers) {
    this.model = model;
    this.array = (name) => {
      const { kind, at: start, count } = model.arrays[name];
      return new BYTES[kind](numbers, start, count);
    };
    this.rows = (name) => {
      const all = this.array(name), n = all.length / 3;
      return [0, 1, 2].map((k) => all.subarray(k * n, (k + 1) * n));
    };
    this.groups = model.groups.map((group, k) => ({ ...group, patch: this.array(`patches ${k}`) }));
    this.corners = model.outlines.flat();
    this.shown = this.groups.map(() => true);
    this.findMiddles();
  }

  /** Middle of every patch and the group it is in. */
  findMiddles() {
    this.middles = new Map();
    this.groups.forEach((group, k) => {
      const rows = this.rows(`vertices ${k}`);
      group.patch.forEach((p, v) => {
        const one = this.middles.get(p) ?? { group: k, sum: [0, 0, 0], count: 0 };
        rows.forEach((row, axis) => { one.sum[axis] += row[v]; });
        one.count += 1;
        this.middles.set(p, one);
      });
    });
  }

  /** Meshes first, so that their numbers are those of the groups. */
  traces() {
    const meshes = this.groups.map((_, k) => {
      const [x, y, z] = this.rows(`vertices ${k}`), [i, j, l] = this.rows(`triangles ${k}`);
      return { type: "mesh3d", x, y, z, i, j, k: l, intensity: new Float32Array(x.length),
        flatshading: true, showscale: false, hoverinfo: "none", name: "",
        lighting: { ambient: 1, diffuse: 0, specular: 0, fresnel: 0 } };
    });
    const { sources, receivers, outlines } = this.model;
    return [...meshes,
      points([], { symbol: "cross", size: 3, color: INK }),
      points([], { symbol: "circle", size: 1.5, color: INK }),
      lines(outlines, { color: INK, width: 2 }),
      points(sources, { symbol: "square", size: 7, color: INK }),
      points(receivers, { symbol: "circle", size: 8, color: "#fff", line: { color: INK, width: 3 } }),
    ];
  }

  get fixed() { return this.groups.length + 5; }

  chosen() {
    const [title, time, band] = ["title", "window", "band"].map((id) => at(id).value);
    return this.model.maps.findIndex((one) =>
      one.title === title && one.window === time && one.band === band);
  }

  shade() {
    const number = this.chosen(), map = this.model.maps[number], all = this.array(`map ${number}`);
    this.values = all.subarray(0, all.length / 2);
    this.errors = all.subarray(all.length / 2);
    const shades = map.colours.length;
    const shadeOf = (value) =>
      Number.isNaN(value) ? -1 : map.limits.filter((limit) => value >= limit).length;
    const patches = Int8Array.from(this.values, shadeOf);
    const colours = [UNKNOWN, ...map.colours];
    const scale = colours.flatMap((colour, k) =>
      [[k / colours.length, colour], [(k + 1) / colours.length, colour]]);
    const intensity = this.groups.map((g) => Float32Array.from(g.patch, (p) => patches[p]));
    Plotly.restyle("room", { intensity, colorscale: [scale], cmin: -1.5, cmax: shades - 0.5 },
      this.groups.map((_, k) => k));
    this.mark();
    this.key(map);
  }

  /** Crosses where a change rises, for both signs are as dark, and dots where nothing is known. */
  mark() {
    const { rises } = this.model.maps[this.chosen()];
    const wanted = [(v) => rises !== null && v > rises, Number.isNaN];
    wanted.forEach((isWanted, number) => {
      const found = [];
      for (const [p, { group, sum, count }] of this.middles) {
        if (this.shown[group] && isWanted(this.values[p])) found.push(sum.map((s) => s / count));
      }
      const [x, y, z] = [0, 1, 2].map((axis) => found.map((point) => point[axis]));
      Plotly.restyle("room", { x: [x], y: [y], z: [z] }, [this.groups.length + number]);
    });
  }

  key(map) {
    const swatch = (colour, mark) => `<i style="background:${colour}">${mark}</i>`;
    const rises = (k) => (map.rises !== null && k > (map.colours.length - 1) / 2 ? "+" : "");
    const items = map.colours.map((c, k) => `<li>${swatch(c, rises(k))}${map.labels[k]}</li>`);
    const alone = '<i class="alone">· · ·</i>';
    at("key").innerHTML =
      `${map.key}<ol>${items.join("")}</ol><p style="margin-top:.5rem">${alone}not known</p>`;
  }

  /** Leave out the sides of the room that are seen from behind. */
  turn(eye) {
    const seen = this.groups.map(({ normal, centre }) => {
      if (normal.every((x) => x === 0)) return true;
      const from = eye.map((e, k) => this.middle[k] + e * this.unit - centre[k]);
      return from.reduce((sum, x, k) => sum + x * normal[k], 0) > 0;
    });
    if (seen.join() === this.shown.join()) return;
    this.shown = seen;
    Plotly.restyle("room", { visible: seen }, seen.map((_, k) => k));
    this.mark();
  }

  async overlay() {
    const drawn = at("room").data.length;
    if (drawn > this.fixed) {
      const extra = Array.from({ length: drawn - this.fixed }, (_, k) => this.fixed + k);
      await Plotly.deleteTraces("room", extra);
    }
    const traces = [];
    const variant = this.model.variants.find((one) => one.name === at("variant").value);
    for (const piece of variant?.pieces ?? []) {
      traces.push(lines(piece.lines, { color: INK, width: 6 }));
      const ends = piece.lines.flat();
      const top = [0, 1, 2].map((k) => ends.reduce((sum, p) => sum + p[k], 0) / ends.length);
      const inward = this.middle.map((m, k) => (k < 2 ? m - top[k] : 0));
      const off = LABEL_OFF_WALL_M / Math.max(LABEL_OFF_WALL_M, Math.hypot(...inward));
      inward.forEach((way, k) => { top[k] += off * way; });
      top[2] = Math.max(...ends.map((p) => p[2]));
      traces.push(points([{ name: piece.name, at: top }], { size: 0.1, color: INK }));
    }
    const paths = this.model.paths.find((one) => one.receiver === at("paths").value);
    for (const { source, points: strip, words } of paths?.lines ?? []) {
      const { colour, dash } = this.model.looks[source % this.model.looks.length];
      traces.push(lines([strip], { color: colour, dash, width: 4 },
        { hoverinfo: "none", meta: words }));
    }
    if (traces.length) await Plotly.addTraces("room", traces);
  }

  hint(event) {
    if (!at("room").matches(":hover")) return;
    const { curveNumber, pointNumber, data } = event.points[0];
    if (curveNumber < this.groups.length) {
      const patch = this.groups[curveNumber].patch[pointNumber];
      at("hint").innerHTML = `<b>${this.reading(patch)}</b>`;
      at("hint").append(this.model.places[patch]);
    } else if (data.meta) {
      at("hint").textContent = data.meta;
    } else {
      return;
    }
    const box = at("room").getBoundingClientRect(), mouse = event.event ?? this.mouse;
    const left = Math.min(mouse.clientX - box.left + 14, box.width - 310);
    at("hint").style.left = `${Math.max(0, left)}px`;
    at("hint").style.top = `${Math.min(mouse.clientY - box.top + 14, box.height - 90)}px`;
    at("hint").hidden = false;
  }

  reading(patch) {
    const map = this.model.maps[this.chosen()];
    const value = this.values[patch] * map.factor, error = this.errors[patch] * map.factor;
    if (Number.isNaN(error) && !Number.isNaN(value)) {
      return `${value.toPrecision(2)} ${map.unit} by exact mirror paths alone`;
    }
    if (Number.isNaN(value)) return "not known: too few rays met it";
    if (value === 0 && error === 0) return "0: no counted ray met it";
    const [number, open] = digits(value, error);
    return `${number.replace("-", "\u2212")} ± ${open} ${map.unit}`;
  }
}

async function begin() {
  const [model, numbers] = await Promise.all(["model", "numbers"].map(unpacked));
  const room = new Room(JSON.parse(new TextDecoder().decode(model)), numbers);
  const { maps, variants, paths } = room.model;
  fill("title", only(maps.map((one) => one.title)));
  const refill = () => {
    const same = maps.filter((one) => one.title === at("title").value);
    const kept = ["window", "band"].map((id) => at(id).value);
    fill("window", only(same.map((one) => one.window)));
    fill("band", only(same.map((one) => one.band)));
    ["window", "band"].forEach((id, k) => {
      if ([...at(id).options].some((option) => option.value === kept[k])) at(id).value = kept[k];
    });
    at("window").disabled = at("window").options.length < 2;
  };
  refill();
  fill("variant", [NONE, ...variants.map((one) => one.name)]);
  fill("paths", [NONE, ...paths.map((one) => one.receiver)]);
  fill("view", Object.keys(VIEWS));
  at("variant").selectedIndex = variants.length ? 1 : 0;

  const low = [0, 1, 2].map((k) => Math.min(...room.corners.map((p) => p[k])));
  const high = [0, 1, 2].map((k) => Math.max(...room.corners.map((p) => p[k])));
  const size = high.map((h, k) => h - low[k]);
  room.unit = Math.cbrt(size.reduce((product, s) => product * s, 1));
  room.middle = low.map((l, k) => l + size[k] / 2);
  const axis = (k) => ({ visible: false, range: [low[k], high[k]], autorange: false });
  const away = Math.hypot(...size) / (room.unit * COMPACT);
  const eye = (name) => Object.fromEntries("xyz".split("").map((k, i) => [k, away * VIEWS[name][i]]));
  const [x, y, z] = size.map((s) => s / room.unit);
  const camera = { eye: eye(at("view").value), up: { x: 0, y: 0, z: 1 }, center: { x: 0, y: 0, z: -0.12 } };
  const layout = { margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, hovermode: "closest",
    scene: { xaxis: axis(0), yaxis: axis(1), zaxis: axis(2), camera, dragmode: "orbit",
      aspectmode: "manual", aspectratio: { x, y, z } } };
  await Plotly.newPlot("room", room.traces(), layout, { displayModeBar: false, responsive: true });
  room.shade();
  await room.overlay();
  const look = () => {
    const { eye: from } = at("room")._fullLayout.scene._scene.getCamera();
    room.turn([from.x, from.y, from.z]);
  };
  look();
  at("room").on("plotly_relayouting", look);
  at("room").on("plotly_relayout", look);
  at("room").on("plotly_hover", (event) => room.hint(event));
  at("room").on("plotly_unhover", () => { at("hint").hidden = true; });
  at("room").addEventListener("mouseleave", () => { at("hint").hidden = true; });
  at("room").addEventListener("mousemove", (event) => { room.mouse = event; });
  at("choices").addEventListener("change", () => { at("hint").hidden = true; });
  at("title").addEventListener("change", () => { refill(); room.shade(); });
  for (const id of ["window", "band"]) at(id).addEventListener("change", () => room.shade());
  for (const id of ["variant", "paths"]) at(id).addEventListener("change", () => room.overlay());
  at("view").addEventListener("change", () => Plotly.relayout("room", {
    "scene.camera": { ...camera, eye: eye(at("view").value) } }).then(look));
  document.body.dataset.ready = "yes";
}

begin().catch((problem) => {
  at("room").textContent = "This browser can't draw the room: it needs WebGL and DecompressionStream, " +
    `which browsers since 2023 have. The pictures of report.html show the same. (${problem.message})`;
});
