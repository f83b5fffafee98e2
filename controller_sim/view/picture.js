"use strict";
// Draws the scene that the page carries: only what is in sight, one path for all marks of a kind in a lane, so that ten thousand events stay quick.
const scene = JSON.parse(document.getElementById("scene").textContent);
const drawing = document.getElementById("run"), shapes = document.getElementById("shapes"), hair = document.getElementById("hair");
const told = document.getElementById("told"), readout = document.getElementById("readout");
const NAMES = 116, AXIS = 26, CONTACT = 14, WINDOW = 12, WAIT = 15, TORN = 7, LEAST = 400, MARK = 11, LINE = 13, LETTER = 6.1, GAP = 8, SERIES = 70, NEAR = 3, SECTION = 17, ROOM = 216;
const LEVELS = {decided: 4, port: 6, received: 4, failed: 3};
const ON_CONTACT = ["settle", "lockout", "power_on"];
const KIND = 0, TIME = 1, UNTIL = 2, LABEL = 3, DETAIL = 4, ROW = 5, TIES = 6, SERIES_OF = 7, VALUE = 8, DUE = 9, PARTS = 10;

let cuts = scene.cuts, squeezed = true;
let left = 0, scale = 1, width = 800, height = 0, pointer = null, mark = null, pending = false;
let boxes = [];  // Left, right and middle of the texts of this painting.
const places = [];

// Squeezed time: microseconds of which the silences that are cut leave `cut_us` each.
function squeeze(time) {
  let gone = 0;
  for (const [from, to] of cuts) {
    if (time <= from) break;
    const rest = Math.min(time, to) - from;
    gone += rest - rest * scene.cut_us / (to - from);
  }
  return time - gone;
}
function stretch(place) {
  let gone = 0;
  for (const [from, to] of cuts) {
    if (place + gone <= from) break;
    const inside = Math.min(place + gone - from, scene.cut_us);
    gone += inside * (to - from) / scene.cut_us - inside;
    if (inside < scene.cut_us) break;
  }
  return place + gone;
}
// Squeezing each event once makes drawing independent of the number of cuts.
function measure() {
  for (const lane of scene.lanes) {
    lane.at = lane.items.map(item => squeeze(item[TIME]));
    lane.to = lane.items.map(item => squeeze(item[UNTIL]));
    lane.given = lane.items.map(item => item[DUE] ? squeeze(item[DUE]) : 0);
    lane.stepped = lane.steps.map(step => squeeze(step[0]));
  }
}
const x = place => NAMES + (place - left) * scale;
const xOf = time => x(squeeze(time));
const escaped = text => text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
const wide = text => text.length * LETTER;
const shortened = text => text.length <= 34 ? text : text.slice(0, 33) + "\u2026";
function text(px, y, words, kind = "", anchor = "") {
  const left = anchor ? px - wide(words) / 2 : px;
  boxes.push([left, left + wide(words), y]);
  return `<text x="${px.toFixed(1)}" y="${(y + 3.5).toFixed(1)}" class="${kind}"${anchor && ` text-anchor="${anchor}"`}>${escaped(words)}</text>`;
}
const path = (d, kind) => d ? `<path class="${kind}" d="${d}"/>` : "";
const rect = (a, b, y, tall) => `M${a.toFixed(1)},${y}H${b.toFixed(1)}v${tall}H${a.toFixed(1)}z`;

function layOut() {
  let y = AXIS, section = "";
  places.length = 0;
  for (const lane of scene.lanes) {
    if (lane.section !== section) { section = lane.section; y += SECTION; }
    const lines = Math.max(1, ...lane.items.map(item => item[LABEL].split("\n").length));
    const coloured = lane.kind === "led" && lane.items.some(item => !["on", "blink", "dim"].includes(item[LABEL]));
    const tall = lane.kind === "switch" ? CONTACT + 4 + WINDOW * lane.rows : lane.kind === "waiting" ? WAIT * lane.rows : lane.kind === "display" ? 4 + LINE * lines
      : lane.kind === "led" ? 12 + (coloured ? LINE : 0) : {pedal: 34, mode: 16, clock: 18}[lane.kind] || MARK + 2 + LINE * LEVELS[lane.kind];
    places.push({lane, y, tall, coloured});
    y += tall + (lane.kind === "led" ? 2 : 6);
  }
  height = y + 4;
  drawing.setAttribute("height", height);
}

// Paths by kind, without those that would fall onto the same pixel, or are as near as `apart` pixels.
class Marks {
  constructor() { this.paths = new Map(); this.last = new Map(); }
  add(kind, from, to, d, apart = 1) {
    const slot = Math.round(to / apart);
    if (this.last.get(kind) === slot) return;
    this.last.set(kind, slot);
    this.paths.set(kind, (this.paths.get(kind) || "") + d);
  }
  toString() { return [...this.paths].map(([kind, d]) => path(d, kind)).join(""); }
}

function inSight(lane, number) { return x(lane.to[number]) >= NAMES && x(lane.at[number]) <= width; }

function blocks(lane) {
  const runs = [], latest = new Map();
  lane.items.forEach((item, number) => {
    if (!item[LABEL]) return;
    const at = x(lane.at[number]);
    if (at < NAMES - 1 || at > width) return;
    const run = item[SERIES_OF] && latest.get(item[SERIES_OF]);
    if (run && at - run.end < SERIES) { run.end = at; run.items.push(item); return; }
    const fresh = {at, end: at, items: [item]};
    latest.set(item[SERIES_OF], fresh);
    runs.push(fresh);
  });
  const found = [];
  for (const {at, items} of runs) {
    const [first, last] = [items[0], items[items.length - 1]];
    let label = first[LABEL];
    if (items.length > 1) {
      const same = items.every(item => item[VALUE] === first[VALUE]);
      label = `${first[SERIES_OF]} ${same ? first[VALUE] : `${first[VALUE]} \u2026 ${last[VALUE]}`}`.trim() + ` ${items.length}\u00d7`;
    }
    const before = found[found.length - 1];
    if (before && (at - before.at < NEAR || (first[DUE] && first[DUE] === before.due && at - before.at < SERIES))) before.lines.push(shortened(label));
    else found.push({at, due: first[DUE], lines: [shortened(label)], level: 0});
  }
  for (const block of found) {
    const most = LEVELS[lane.kind];
    if (block.lines.length > most) block.lines.splice(most - 1, block.lines.length, `and ${block.lines.length - most + 1} more`);
  }
  return found;
}

// From the right to the left: a block that would run into the next goes below it, one that then needs too many lines is left out.
function cascade(found, most) {
  const done = [];
  for (const block of found.reverse()) {
    const right = block.at + Math.max(...block.lines.map(wide)) + GAP;
    for (let other = done.length - 1; other >= 0 && done[other].at < right; other--) {
      block.level = Math.max(block.level, done[other].level + done[other].lines.length);
    }
    if (block.level + block.lines.length <= most) done.push(block);
  }
  return done;
}

function flags({lane, y}, kind) {
  let d = "", words = "";
  for (const block of cascade(blocks(lane), LEVELS[lane.kind])) {
    const top = y + MARK + LINE * block.level;
    d += `M${block.at.toFixed(1)},${y + MARK}V${top + LINE * block.lines.length - 3}`;
    block.lines.forEach((line, number) => { words += text(block.at + 3, top + LINE * (number + 0.5), fitted(line, block.at + 3), kind); });
  }
  return path(d, "lead") + words;
}

// What of a line there is room for at the right edge.
function fitted(line, from) {
  const letters = Math.floor((width - from) / LETTER);
  return line.length <= letters ? line : letters < 4 ? "" : line.slice(0, letters - 1) + "\u2026";
}

function steps({lane, y}, tall, kind) {
  let level = 0, d = "", last = null;
  const yOf = value => (y + tall * (1 - value)).toFixed(1);
  lane.stepped.forEach((place, number) => {
    const at = x(place);
    if (at >= NAMES && at <= width) {
      d = d || `M${NAMES},${yOf(level)}`;
      const slot = Math.round(at * 2);
      if (slot !== last) d += `H${at.toFixed(1)}`;
      d += `V${yOf(lane.steps[number][1])}`;
      last = slot;
    }
    if (at <= width) level = lane.steps[number][1];
  });
  return path((d || `M${NAMES},${yOf(level)}`) + `H${width}`, kind);
}

function insideTexts({lane, y}, kind = "halo", skip = () => false) {
  let words = "";
  lane.items.forEach((item, number) => {
    if (!inSight(lane, number) || skip(item)) return;
    const from = Math.max(x(lane.at[number]), NAMES), to = Math.min(x(lane.to[number]), width), lines = item[LABEL].split("\n");
    if (from + 4 + Math.max(...lines.map(wide)) <= to) lines.forEach((line, row) => { words += text(from + 4, y + 8 + LINE * row, line, kind); });
  });
  return words;
}

const draw = {
  switch(place) {
    const {lane, y} = place, marks = new Marks();
    let words = "";
    const next = (item, number) => {
      for (let other = number + 1; other < lane.items.length; other++) {
        if (lane.items[other][ROW] === item[ROW] && lane.items[other][LABEL] && lane.items[other][TIME] > item[TIME]) return Math.min(x(lane.at[other]), width);
      }
      return width;
    };
    lane.items.forEach((item, number) => {
      if (item[KIND] === "contact" || !inSight(lane, number)) return;
      const from = Math.max(x(lane.at[number]), NAMES), to = Math.min(Math.max(x(lane.to[number]), from + 1.5), width + 2);
      if (item[KIND] === "level") marks.add("level", from, to, rect(from, to, y + 3, CONTACT - 6));
      else if (ON_CONTACT.includes(item[KIND])) marks.add(item[KIND], from, to, rect(from, to, y + CONTACT, 3));
      else {
        const top = y + CONTACT + 5 + WINDOW * item[ROW];
        marks.add(item[KIND], from, to, rect(from, to, top, WINDOW - 6));
        if (item[UNTIL] >= item[DUE]) marks.add("due", to, to, `M${to.toFixed(1)},${top - 1}v${WINDOW - 4}`);
        const label = `${item[LABEL]} ${item[DETAIL].match(/: ([^,]+)/)[1]}`;
        // The shorter of two holds stands in the bar of the longer one, whose end gets the name.
        if (from > NAMES && to < width && to + 8 + wide(label) <= next(item, number)) words += text(to + 4, top + 3, label, "name2 halo");
      }
    });
    return steps(place, CONTACT, "contact") + marks + words;
  },
  pedal: place => steps(place, place.tall - 4, "reading"),
  received(place) {
    return simple(place, (item, at) => [item[KIND], `M${(at - 4).toFixed(1)},${place.y}h8l-4,${MARK - 3}z`]) + flags(place, "halo");
  },
  decided(place) {
    const y = place.y + MARK / 2;
    return simple(place, (item, at) => [item[KIND], item[KIND] === "fate" ? `M${(at - 3).toFixed(1)},${y - 3}l6,6m0,-6l-6,6`
      : item[KIND] === "restart" ? `M${at.toFixed(1)},${y - 5}v10m-3,-10h6m-6,10h6` : `M${at.toFixed(1)},${y - 4.5}l4.5,4.5l-4.5,4.5l-4.5,-4.5z`]) + flags(place, "halo");
  },
  failed(place) {
    return simple(place, (item, at) => ["failed", `M${(at - 4).toFixed(1)},${place.y}h8v8h-8zl8,8m0,-8l-8,8`]) + flags(place, "halo");
  },
  waiting(place) {
    const {lane, y} = place, marks = new Marks(), free = new Map();
    let words = "";
    for (let number = lane.items.length - 1; number >= 0; number--) {
      const item = lane.items[number], row = item[ROW], next = free.get(row) ?? width;
      if (x(lane.at[number]) > width) continue;
      free.set(row, x(lane.at[number]));
      if (!inSight(lane, number)) continue;
      const from = Math.max(x(lane.at[number]), NAMES), to = Math.min(Math.max(x(lane.to[number]), from + 1), width + 2), top = y + WAIT * row;
      marks.add(item[KIND] + " ".repeat(row), from, to, rect(from, to, top, WAIT - 3));
      if (item[UNTIL] >= item[DUE]) marks.add("due" + " ".repeat(row), to, to, `M${to.toFixed(1)},${top - 1}v${WAIT - 1}`);
      const long = wide(item[LABEL]);
      if (from + 4 + long <= Math.min(to, width)) words += text(from + 4, top + 6, item[LABEL], "halo");
      else if (to > NAMES && to + 4 + long + GAP <= next) words += text(to + 4, top + 6, item[LABEL], "halo");
    }
    return marks + words;
  },
  mode(place) {
    let ground = "";
    place.lane.items.forEach((item, number) => {
      if (number % 2 === 0 && inSight(place.lane, number)) {
        ground += rect(Math.max(x(place.lane.at[number]), NAMES), Math.min(x(place.lane.to[number]), width), place.y, place.tall);
      }
    });
    return path(ground, "ground") + simple(place, (item, at) => ["mode", `M${at.toFixed(1)},${place.y - 2}v${place.tall + 4}`]) + insideTexts(place, "");
  },
  display: place => spans(place, () => "display", place.y, place.tall) + insideTexts(place),
  led(place) {
    const lit = item => { const level = item[LABEL].split(" ")[0]; return `led-${["blink", "dim"].includes(level) ? level : "on"}`; };
    return spans(place, lit, place.y + 2, 8) + (place.coloured ? insideTexts({...place, y: place.y + 9}, "") : "");
  },
  clock(place) {
    let free = 0, words = "";
    const marks = simple(place, (item, at) => {
      if (item[KIND] === "tick") return ["tick", `M${at.toFixed(1)},${place.y + 12}v5`];
      if (at >= free) { words += text(at + 3, place.y + 6, item[LABEL], "halo"); free = at + 9 + wide(item[LABEL]); }
      return ["tick ", `M${at.toFixed(1)},${place.y}v11`];
    });
    return marks + words;
  },
  port(place) {
    const {lane, y} = place, marks = new Marks();
    let seams = "";
    lane.items.forEach((item, number) => {
      const from = x(lane.at[number]), to = Math.max(x(lane.to[number]), from + (item[LABEL] ? 2 : 1)), given = x(lane.given[number]);
      if (to < NAMES || from > width) return;
      if (item[LABEL] && from - given > 1.5) marks.add("queue", given, from, `M${given.toFixed(1)},${y + 1}v7m0,-3.5H${from.toFixed(1)}`);
      marks.add(item[LABEL] ? "message" : "message tick-message", from, to, rect(from, to, y, item[LABEL] ? MARK - 1 : MARK - 6));
      if ((to - from) / item[PARTS].length > 4) seams += item[PARTS].map(time => `M${xOf(time).toFixed(1)},${y}v${MARK}`).join("");
    });
    return marks + path(seams, "seam") + flags(place, "message-text halo");
  },
};

function simple({lane}, make) {
  const marks = new Marks();
  lane.items.forEach((item, number) => {
    const at = x(lane.at[number]);
    if (at < NAMES - 1 || at > width) return;
    const [kind, d] = make(item, at);
    marks.add(kind, at, at, d);
  });
  return marks.toString();
}

function spans({lane}, kindOf, y, tall) {
  const marks = new Marks();
  lane.items.forEach((item, number) => {
    if (!inSight(lane, number)) return;
    const from = Math.max(x(lane.at[number]), NAMES), to = Math.min(Math.max(x(lane.to[number]), from + 1), width + 2);
    marks.add(kindOf(item), from, to, rect(from, to, y, tall));
  });
  return marks.toString();
}

function threads() {
  const decided = places.find(place => place.lane.kind === "decided");
  if (!decided) return "";
  const marks = new Marks(), causes = new Set();
  const middle = number => places[number].y + CONTACT / 2;
  decided.lane.items.forEach((item, number) => {
    const at = x(decided.lane.at[number]);
    if (at < NAMES - 1 || at > width) return;
    causes.add(item[TIME]);
    if (!item[TIES].length) return;
    let d = `M${at.toFixed(1)},${Math.min(...item[TIES].map(tie => middle(tie[0])))}V${decided.y}`;
    for (const [lane, time] of item[TIES]) {
      const from = xOf(time);
      if (time !== item[TIME]) d += `M${Math.max(from, NAMES).toFixed(1)},${middle(lane)}H${at.toFixed(1)}`;
      if (from >= NAMES && places[lane].lane.kind === "switch") marks.add(`press ${lane}`, from, from, `M${(from - 3).toFixed(1)},${middle(lane)}a3,3 0 1 0 6,0a3,3 0 1 0 -6,0`);
    }
    marks.add("thread", at, at, d);
  });
  for (const {lane, y} of places.filter(place => place.lane.kind === "port")) {
    lane.items.forEach((item, number) => {
      const at = x(lane.given[number]);
      if (item[LABEL] && causes.has(item[DUE])) marks.add("cause", at, at, `M${at.toFixed(1)},${decided.y + MARK}V${y}`, 4);
    });
  }
  return marks.toString();
}

function axis() {
  let step = 1;
  for (let power = 1; step * scale < 64; power *= 10) {
    step = [power, 2 * power, 5 * power].find(each => each * scale >= 64) || step;
  }
  const minor = Math.max(step / 5, 1), digits = Math.max(0, 6 - Math.round(Math.log10(step) - 0.3));
  let d = "", torn = "", words = text(8, 10, "seconds", "axis"), free = NAMES - 20;
  const [from, to] = [stretch(left), Math.min(stretch(left + (width - NAMES) / scale), scene.end)];
  const stretches = [], taken = [];
  let begin = from;
  for (const [cutFrom, cutTo] of cuts) {
    if (cutTo < from || cutFrom > to) continue;
    if (cutFrom > begin) stretches.push([begin, cutFrom]);
    begin = cutTo;
    // From afar torn edges would only cover what lies between them; the axis has its gap all the same.
    if (scene.cut_us * scale < 2 * TORN) continue;
    const middle = xOf((cutFrom + cutTo) / 2), length = (cutTo - cutFrom) / 1e6;
    const label = length < 1 ? `${Math.round(length * 1000)} ms` : length < 100 ? `${length.toFixed(1)} s` : `${Math.round(length / 60)} min`;
    const half = wide(label) / 2 + 4;
    if (middle + half <= width && middle - half >= (taken.length ? taken[taken.length - 1][1] : NAMES - 20)) {
      taken.push([middle - half, middle + half]);
      words += text(middle, 10, label, "more", "middle");
    }
    torn += tear(middle);
  }
  if (begin < to) stretches.push([begin, to]);
  for (const [first, last] of stretches) {
    d += `M${xOf(first).toFixed(1)},${AXIS - 2}H${xOf(last).toFixed(1)}`;
    for (let time = Math.ceil(first / minor) * minor; time <= last; time += minor) {
      const at = xOf(time), label = (time / 1e6).toFixed(digits), half = wide(label) / 2;
      const numbered = time % step === 0 && at - half >= Math.max(free, NAMES - 6) && at + half <= width && !taken.some(([low, high]) => at - half < high && at + half > low);
      d += `M${at.toFixed(1)},${AXIS - 2}v${numbered ? -6 : -3}`;
      if (numbered) { words += text(at, 10, label, "axis", "middle"); free = at + half + 6; }
    }
  }
  return path(torn, "torn") + path(d, "contact") + words;
}

// Two torn edges that let texts through.
function tear(middle) {
  const crossing = boxes.filter(([from, to]) => from - TORN < middle + TORN && to + TORN > middle - TORN);
  let d = "";
  for (let y = AXIS; y + 12 <= height; y += 12) {
    if (crossing.some(box => y - LINE / 2 < box[2] && box[2] < y + 12 + LINE / 2)) continue;
    for (const edge of [middle - 4, middle + 4]) d += `M${edge.toFixed(1)},${y}l2,3l-4,6l2,3`;
  }
  return d;
}

function names() {
  let words = "", d = "", section = "", leds = 0;
  for (const {lane, y} of places) {
    if (lane.section !== section) {
      section = lane.section;
      words += text(8, y - SECTION / 2, section, "section");
      d += `M${NAMES},${y - SECTION / 2}H${width}`;
    }
    const at = y + (lane.kind === "switch" || lane.kind === "pedal" ? CONTACT / 2 : 6);
    if (lane.kind === "led") words += (leds++ ? "" : text(8, at, "LED", "name2")) + text(38, at, lane.name.slice(0, 11));
    else words += text(8, at, lane.name.slice(0, 15));
  }
  return path(d, "hair") + words;
}

function paint() {
  pending = false;
  boxes = [];
  let off = "";
  for (const [from, to] of scene.off) off += rect(Math.max(xOf(from), NAMES), Math.min(Math.max(xOf(to), xOf(from) + 2), width + 2), AXIS, height - AXIS);
  const lanes = places.map(place => draw[place.lane.kind](place)).join("");
  // Threads lie under the lanes' texts but over nothing that has to be read.
  shapes.innerHTML = `${scene.patterns}<clipPath id="sight"><rect x="${NAMES - 6}" y="0" width="${width - NAMES + 6}" height="${height}"/></clipPath>`
    + `${names()}<g clip-path="url(#sight)">${path(off, "off")}${threads()}${lanes}${axis()}</g>`;
  point();
}
function refresh() { if (!pending) { pending = true; requestAnimationFrame(paint); } }

// The lines at the pointer and at the mark have a layer of their own: following the pointer draws nothing else anew.
function point() {
  let lines = "";
  if (mark !== null) lines += path(`M${xOf(mark).toFixed(1)},${AXIS}V${height}`, "cursor marked");
  if (pointer && pointer.x >= NAMES) lines += path(`M${pointer.x},${AXIS}V${height}`, "cursor");
  hair.innerHTML = lines;
}

const whole = () => squeeze(scene.end) - squeeze(scene.start);
function bounded() {
  const least = (width - NAMES - ROOM) / whole();
  scale = Math.min(Math.max(scale, least), 2);
  const most = squeeze(scene.end) - (width - NAMES - ROOM) / scale;
  left = Math.max(Math.min(left, most), squeeze(scene.start));
}
function zoom(factor, at = NAMES + (width - NAMES) / 2) {
  const fixed = left + (at - NAMES) / scale;
  scale *= factor;
  bounded();
  left = fixed - (at - NAMES) / scale;
  bounded();
  refresh();
}
function pan(pixels) { left += pixels / scale; bounded(); refresh(); }
function show(from, to) { left = squeeze(from); scale = (width - NAMES - ROOM) / Math.max(squeeze(to) - left, 1); bounded(); refresh(); }
function toGesture(direction) {
  const decided = scene.lanes.find(lane => lane.kind === "decided");
  if (!decided) return;
  // From afar there is nothing to go to: come nearer first, to about two seconds.
  if ((width - NAMES) / scale > whole()) { const from = direction > 0 ? left : left + whole(); scale = (width - NAMES) / 2e6; left = from - 1e6; }
  const here = left + (width - NAMES) / 2 / scale, apart = direction / scale;
  const later = decided.at.filter(place => direction > 0 ? place > here + apart : place < here + apart);
  if (later.length) { left = (direction > 0 ? Math.min(...later) : Math.max(...later)) - (width - NAMES) / 2 / scale; bounded(); refresh(); }
}

function hovered() {
  const place = places.find(each => pointer.y >= each.y - 3 && pointer.y < each.y + each.tall + 3);
  if (!place) return [];
  const {lane} = place, hits = [];
  lane.items.forEach((item, number) => {
    const from = x(lane.at[number]), to = x(lane.to[number]);
    if (pointer.x < from - 5 || pointer.x > to + 5) return;
    hits.push([Math.max(from - pointer.x, pointer.x - to, 0), item]);
  });
  hits.sort((one, other) => one[0] - other[0]);
  return hits.slice(0, 6).map(hit => hit[1]);
}
const seconds = time => (time / 1e6).toFixed(6);
function tell() {
  if (!pointer || pointer.x < NAMES) { told.hidden = true; readout.textContent = ""; return; }
  const time = Math.round(stretch(left + (pointer.x - NAMES) / scale));
  readout.textContent = `${seconds(time)} s` + (mark === null ? "" : `, ${time >= mark ? "+" : "\u2212"}${seconds(Math.abs(time - mark))} s from the mark`);
  const items = hovered();
  told.hidden = !items.length;
  told.replaceChildren(...items.map(item => {
    const line = document.createElement("div");
    line.textContent = `${seconds(item[TIME])}  ${item[DETAIL]}`;
    return line;
  }));
  const box = drawing.getBoundingClientRect(), beside = Math.min(pointer.x + 14, width - told.offsetWidth - 8);
  told.style.left = `${Math.max(beside, 8) + box.left + scrollX}px`;
  told.style.top = `${pointer.y + 16 + box.top + scrollY}px`;
}

let grip = null, moved = false;
drawing.addEventListener("pointermove", event => {
  const box = drawing.getBoundingClientRect();
  pointer = {x: event.clientX - box.left, y: event.clientY - box.top};
  if (grip !== null && event.buttons) { moved = moved || Math.abs(event.clientX - grip) > 3; if (moved) { pan(grip - event.clientX); grip = event.clientX; } }
  tell();
  point();
});
drawing.addEventListener("pointerdown", event => { grip = event.clientX; moved = false; drawing.setPointerCapture(event.pointerId); });
drawing.addEventListener("pointerup", () => {
  if (!moved && pointer && pointer.x >= NAMES) mark = mark === null ? Math.round(stretch(left + (pointer.x - NAMES) / scale)) : null;
  grip = null;
  tell();
  point();
});
drawing.addEventListener("pointerleave", () => { pointer = null; tell(); point(); });
drawing.addEventListener("wheel", event => {
  event.preventDefault();
  const box = drawing.getBoundingClientRect();
  if (Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey) pan(event.deltaX || event.deltaY);
  else zoom(Math.exp(-event.deltaY / 400), event.clientX - box.left);
}, {passive: false});
const keys = {
  ArrowLeft: () => pan(-width / 8), ArrowRight: () => pan(width / 8), "+": () => zoom(1.5), "=": () => zoom(1.5), "-": () => zoom(1 / 1.5),
  "0": () => show(scene.start, scene.end), n: () => toGesture(1), p: () => toGesture(-1), s: () => silences(),
};
addEventListener("keydown", event => { if (keys[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) { event.preventDefault(); keys[event.key](); } });
function silences() {
  const middle = stretch(left + (width - NAMES) / 2 / scale);
  squeezed = !squeezed;
  cuts = squeezed ? scene.cuts : [];
  document.getElementById("silences").setAttribute("aria-pressed", squeezed);
  measure();
  left = squeeze(middle) - (width - NAMES) / 2 / scale;
  bounded();
  refresh();
}
for (const [id, act] of Object.entries({out: keys["-"], in: keys["+"], whole: keys["0"], before: keys.p, next: keys.n, silences})) {
  document.getElementById(id).addEventListener("click", act);
}
// A window that grows or shrinks shows the same stretch of time.
function resize() {
  const seen = (width - NAMES - ROOM) / scale;
  width = Math.max(drawing.clientWidth, LEAST);
  scale = (width - NAMES - ROOM) / seen;
  bounded();
  refresh();
}
addEventListener("resize", resize);
measure();
layOut();
width = Math.max(drawing.clientWidth, LEAST);
show(scene.start, scene.end);
paint();
