// The picture of the bench: for two bodies a beam that leans to the side that pulls harder, for more
// a level line of floats of which the one that pulls harder sinks. The tolerance is a notch.

const SVG = 'http://www.w3.org/2000/svg';

function make(name, attributes, parent) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent?.append(element);
  return element;
}

function clamp(value, limit) {
  return Math.max(-limit, Math.min(limit, value));
}

/** Lean that stands for the limit at which something must be done [deg]. */
const ACT_LEAN_DEG = 11;
/** Furthest lean drawn [deg]. */
const MOST_LEAN_DEG = 17;

/** A beam on an edge. `show` takes the depressions [kPa] or nulls. */
export function beam(place, config) {
  const svg = make('svg', { viewBox: '0 0 1000 430', class: 'beam', 'aria-hidden': 'true', focusable: 'false' });
  const degPerKpa = ACT_LEAN_DEG / config.act_kpa;
  const goodDeg = Math.min(config.good_kpa * degPerKpa, MOST_LEAN_DEG);
  const [cx, cy, reach] = [500, 130, 265];
  const at = (deg, radius) => {
    const a = (deg * Math.PI) / 180;
    return [cx - radius * Math.sin(a), cy + radius * Math.cos(a)];
  };
  const arc = (from, to, radius) => {
    const [x0, y0] = at(from, radius);
    const [x1, y1] = at(to, radius);
    return `M${x0} ${y0}A${radius} ${radius} 0 0 1 ${x1} ${y1}`;
  };
  // The plate under the pointer, cut out over the tolerance: the pointer must stand in the notch.
  make('path', { d: arc(MOST_LEAN_DEG + 3, goodDeg, reach), class: 'plate' }, svg);
  make('path', { d: arc(-goodDeg, -MOST_LEAN_DEG - 3, reach), class: 'plate' }, svg);
  const notch = make('path', { d: arc(goodDeg, -goodDeg, reach), class: 'notch' }, svg);
  const swing = make('g', {}, svg);
  make('path', { d: `M500 ${cy}V${cy + reach - 26}`, class: 'pointer' }, swing);
  make('path', { d: `M486 ${cy + reach - 44}L500 ${cy + reach - 14}L514 ${cy + reach - 44}Z`, class: 'pointer-tip' }, swing);
  make('path', { d: `M70 ${cy - 9}Q500 ${cy - 34} 930 ${cy - 9}V${cy + 9}Q500 ${cy + 34} 70 ${cy + 9}Z`, class: 'bar' }, swing);
  const ends = [80, 920].map((x, body) => {
    const end = make('g', { class: `end s${body}` }, swing);
    if (body === 0) make('circle', { cx: x, cy, r: 62, class: 'weight' }, end);
    else make('rect', { x: x - 55, y: cy - 55, width: 110, height: 110, rx: 12, class: 'weight' }, end);
    return end;
  });
  make('path', { d: `M500 ${cy - 4}L470 ${cy + 50}H530Z`, class: 'edge' }, svg);
  place.replaceChildren(svg);
  return (kpa) => {
    const known = kpa.every((value) => value !== null);
    const difference = known ? kpa[0] - kpa[1] : 0;
    const lean = clamp(difference * degPerKpa, MOST_LEAN_DEG);
    swing.setAttribute('transform', `rotate(${-lean} ${cx} ${cy})`);
    svg.classList.toggle('unknown', !known);
    svg.classList.toggle('even', known && Math.abs(difference) <= config.good_kpa);
    notch.classList.toggle('hit', known && Math.abs(difference) <= config.good_kpa);
    ends.forEach((end, body) => end.classList.toggle('harder', known && (body === 0 ? lean > 0 : lean < 0)));
  };
}

/** Floats beside a level line, each under the number of its body. Taller where the screen is narrow. */
export function floats(place, config, count) {
  const width = 1000;
  const height = place.clientWidth < 700 ? 620 : 280;
  const level = height / 2;
  const svg = make('svg', { viewBox: `0 0 ${width} ${height}`, class: 'floats', 'aria-hidden': 'true', focusable: 'false' });
  const step = width / count;
  const thick = height < 400 ? 44 : 84;
  const travel = level - thick / 2 - 12;
  const pxPerKpa = (0.75 * travel) / config.act_kpa;
  // The largest difference allowed is between any two, so each may lie half of it off the mean.
  const half = Math.min((config.good_kpa / 2) * pxPerKpa, travel);
  make('path', { d: `M0 ${level}H${width}`, class: 'level' }, svg);
  const moved = [];
  for (let body = 0; body < count; body += 1) {
    const x = step * (body + 0.5);
    const w = Math.min(step * 0.56, 220);
    for (const side of [-1, 1]) {
      const rail = x + side * (w / 2 + Math.min(step * 0.08, 30));
      const gap = half + thick / 2;
      make('path', { d: `M${rail} 6V${level - gap}h${-side * 20}M${rail} ${height - 6}V${level + gap}h${-side * 20}`, class: 'rail' }, svg);
    }
    const group = make('g', { class: `float s${body % 8}` }, svg);
    make('rect', { x: x - w / 2, y: level - thick / 2, width: w, height: thick, rx: body % 2 ? 8 : thick / 2, class: 'weight' }, group);
    make('path', { d: `M${x - w / 2 + 14} ${level}h${w - 28}`, class: 'waterline' }, group);
    moved.push(group);
  }
  place.replaceChildren(svg);
  return (kpa) => {
    const known = kpa.filter((value) => value !== null);
    const mean = known.reduce((sum, value) => sum + value, 0) / Math.max(known.length, 1);
    svg.classList.toggle('unknown', known.length === 0);
    moved.forEach((group, body) => {
      const off = kpa[body] === null ? 0 : kpa[body] - mean;
      group.setAttribute('transform', `translate(0 ${clamp(off * pxPerKpa, travel)})`);
      group.classList.toggle('hit', kpa[body] !== null && Math.abs(off) <= config.good_kpa / 2);
    });
  };
}

/** The speed on its band. */
export function band(place) {
  const svg = make('svg', { viewBox: '0 0 1000 90', class: 'band-scale', 'aria-hidden': 'true', focusable: 'false' });
  make('path', { d: 'M10 58H990', class: 'level' }, svg);
  const zone = make('rect', { y: 34, height: 48, class: 'zone' }, svg);
  const mark = make('path', { d: 'M-20 8H20L0 50Z', class: 'mark-now' }, svg);
  place.replaceChildren(svg);
  return (rpm, low, high) => {
    const wide = (high - low) * 2.2;
    const from = (low + high) / 2 - wide / 2;
    const x = (value) => 10 + (980 * clamp(value - from - wide / 2, wide / 2)) / wide + 490;
    zone.setAttribute('x', x(low));
    zone.setAttribute('width', x(high) - x(low));
    mark.setAttribute('transform', `translate(${rpm === null ? -100 : x(rpm)} 0)`);
    svg.classList.toggle('inside', rpm !== null && rpm >= low && rpm <= high);
  };
}
