// The bench: shows what the stream says, and sends what is pressed. Every text comes from the page.

import { band, beam, floats } from './picture.js';
import { Sound } from './sound.js';

const root = document.getElementById('bench');
const config = JSON.parse(root.dataset.config);
const t = config.texts;
const count = config.bodies.length;
const by = (id) => document.getElementById(id);

const number = (value, decimals) => {
  if (value === null || !Number.isFinite(value)) return '–';
  const text = Math.abs(value).toFixed(decimals);
  const sign = value < 0 && Number(text) !== 0 ? '−' : '';
  return sign + (config.comma ? text.replace('.', ',') : text);
};
const pressure = (kpa) => number(kpa === null ? null : kpa * config.per_kpa, config.decimals);
const fill = (text, values) => Object.entries(values).reduce((all, [name, value]) => all.replaceAll(`{${name}}`, value), text);
/** Writes only what changed: less work, and nothing is read out twice. */
const say = (element, text) => {
  if (element && element.textContent !== text) element.textContent = text;
};

const sound = new Sound();
const draw = count === 2 ? beam(by('picture'), config) : floats(by('picture'), config, count);
const drawBand = band(by('band'));
let readings = null;

function difference(kpa) {
  if (kpa.some((value) => value === null)) return t.no_difference;
  const size = Math.max(...kpa) - Math.min(...kpa);
  const harder = config.bodies[kpa.indexOf(Math.max(...kpa))];
  const amount = `${pressure(size)} ${config.unit}`;
  return fill(size <= config.good_kpa ? t.even : t.uneven, { amount, body: harder });
}

function show(glance) {
  const live = glance.live;
  const kpa = live.bodies.map((body) => body.depression_kpa);
  kpa.forEach((value, body) => say(by(`kpa-${body}`), pressure(value)));
  draw(kpa);
  say(by('difference'), difference(kpa));
  const wide = live.difference_kpa;
  root.dataset.state = wide === null ? 'unknown' : wide <= config.good_kpa ? 'good' : wide <= config.act_kpa ? 'watch' : 'act';
  const [low, high] = glance.band_rpm;
  say(by('rpm'), number(live.rpm, 0));
  drawBand(live.rpm, low, high);
  say(by('band-text'), fill(t.band, { low: number(low, 0), high: number(high, 0) }));
  const scatter = live.rpm_scatter_percent;
  say(by('steady'), scatter === null ? t.no_speed : fill(t.scatter, { percent: number(scatter, 1) }));
  showProgress(live);
  showEngine(glance);
  showGuide(glance.guide);
  showScrews(glance);
  sound.play(kpa, config);
  if (readings !== null && glance.readings !== readings) {
    sound.taken();
    refresh();
  }
  readings = glance.readings;
}

function showScrews(glance) {
  const signed = (turns) => (turns > 0 ? '+' : '') + number(turns, 2);
  for (const [name, turns] of Object.entries(glance.turned)) {
    say(screw(name), fill(t.turned, { turns: signed(turns) }));
  }
  for (const [body, turns] of Object.entries(glance.bleed_turns)) {
    say(screw(`bleed.${body}`), fill(t.from_seat, { turns: number(turns, 2) }));
  }
}

function screw(name) {
  return document.querySelector(`[data-turned="${CSS.escape(name)}"]`);
}

function showProgress(live) {
  const { cycles, needed, missing, armed, refused } = live.progress;
  const left = Math.max(needed - cycles, 0);
  by('bar').style.setProperty('inline-size', `${Math.min((100 * cycles) / Math.max(needed, 1), 100).toFixed(0)}%`);
  const taken = !armed;
  say(by('countdown'), taken ? t.taken : left === 0 ? t.taking : fill(t.to_go, { cycles: String(left) }));
  // The count itself is what is missing at least; the rest says what to do about it.
  const todo = missing.filter((m) => m.code !== 'cycles').map((m) => m.text);
  say(by('missing'), taken ? t.taken_why : refused ?? todo.join('; '));
  root.classList.toggle('taken', taken);
}

function showEngine(glance) {
  const { link, practice } = glance.live;
  const running = practice ? practice.running : glance.live.rpm !== null;
  const word = practice?.stalled ? t.stalled : running ? t.running : t.standing;
  say(by('engine'), link.state === 'connected' ? word : link.text);
  for (const button of root.querySelectorAll('[data-needs]')) {
    button.disabled = button.dataset.needs === 'running' ? !running : running;
  }
  for (const button of root.querySelectorAll('[data-station]')) {
    button.setAttribute('aria-pressed', String(button.dataset.station === glance.station));
  }
  say(by('valve'), number(practice?.idle_valve_steps ?? null, 0));
  say(by('volts'), number(practice?.sensor_v ?? null, 3));
  say(by('ecu'), number(practice?.ecu_opening_deg ?? null, 2));
}

/** While a screw is turned: how much is left, and when to stop. */
function showGuide(guide) {
  const box = by('guide');
  if (!box) return;
  box.hidden = guide === null;
  if (guide === null) return;
  say(by('guide-name'), guide.adjuster);
  box.dataset.state = guide.stop ? 'stop' : guide.over ? 'over' : 'turn';
  say(by('guide-left'), guide.stop ? t.stop : number(Math.abs(guide.left_turns), 2));
  say(by('guide-unit'), guide.stop ? '' : t.turns);
  say(by('guide-way'), guide.stop ? t.stop_why : guide.over ? fill(t.over, { way: guide.way }) : guide.way);
}

async function refresh() {
  const answer = await fetch('/bench', { headers: { accept: 'text/html' } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
  for (const id of ['readings', 'findings']) {
    const [from, to] = [fresh.getElementById(id), by(id)];
    if (from && to) to.replaceChildren(...from.childNodes);
  }
}

function trouble(text) {
  const box = by('trouble');
  box.hidden = text === '';
  say(box, text);
}

root.addEventListener('submit', async (event) => {
  const form = event.target;
  if (!form.matches('[data-send]')) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form, event.submitter));
  try {
    const answer = await fetch(form.action, { method: 'POST', body, headers: { accept: 'text/plain', 'x-evenpull': 'fetch' } });
    trouble(answer.ok ? '' : await answer.text());
    if (answer.ok && form.dataset.send === 'refresh') await refresh();
  } catch {
    trouble(t.lost);
  }
});

by('sound').addEventListener('click', async () => {
  const on = await sound.toggle();
  by('sound').setAttribute('aria-pressed', String(on));
});

const stream = new EventSource('/bench/stream');
stream.addEventListener('glance', (event) => {
  root.classList.remove('lost');
  show(JSON.parse(event.data));
});
stream.addEventListener('error', () => {
  root.classList.add('lost');
  say(by('engine'), t.lost);
});
root.classList.add('with-script');
