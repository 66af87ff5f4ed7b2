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
  showHoses(live);
  showProgress(live);
  showEngine(glance);
  showGuide(glance.guide);
  showSensors(glance);
  showKept(glance.kept);
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
  // Nothing is turned on crossed hoses, and no other place is read with them.
  const why = live.crossed.length > 0 ? t.taken_crossed : t.taken_why;
  say(by('missing'), taken ? why : refused ?? todo.join('; '));
  root.classList.toggle('taken', taken);
}

function showEngine(glance) {
  const { link, practice } = glance.live;
  const running = practice ? practice.running : glance.live.rpm !== null;
  const word = practice?.stalled ? t.stalled : running ? t.running : t.standing;
  const links = { searching: t.searching, lost: t.unplugged, ended: t.ended };
  say(by('engine'), links[link.state] ?? word);
  const why = by('link-why');
  if (why) {
    why.hidden = link.text === '';
    say(why, link.text);
  }
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

/** What each sensor reads now, its zero, and what the line did to the samples. */
function showSensors({ live, comparison }) {
  live.bodies.forEach((body, index) => say(by(`now-${index}`), pressure(body.now_kpa)));
  const zeros = live.bodies.map((body) => body.zero_kpa);
  const values = live.bodies.map((body) => `${body.body}: ${pressure(body.zero_kpa)} ${config.unit}`).join(', ');
  say(by('zeros'), zeros.includes(null) ? t.not_zeroed : fill(t.zeroed, { values }));
  const { lost_samples: lost, bad_lines: bad, restarts, dropped } = live;
  const rate = number(live.rate_hz, 0);
  const whole = [lost, bad, restarts, dropped].every((count) => count === 0);
  say(by('damage'), live.rate_hz === null ? '' : fill(whole ? t.no_damage : t.damage, { rate, lost, bad, restarts, dropped }));
  say(by('remark'), live.remark === null ? '' : fill(t.remark, { text: live.remark }));
  const compared = by('compared');
  if (!compared) return;
  if (comparison === null) {
    say(compared, '');
    return;
  }
  const amount = (kpa) => `${number(kpa * config.per_kpa, config.decimals + 1)} ${config.unit}`;
  const { apart_kpa: apart, below_kpa: below, agree } = comparison;
  const text = agree ? t.agree : below < config.drawn_kpa ? t.not_drawn : t.differ;
  say(compared, fill(text, { apart: amount(apart), below: amount(below), agree: amount(config.agree_kpa), drawn: amount(config.drawn_kpa) }));
}

/** Hoses on each other's bodies: what leans is then the other side. */
function showHoses({ crossed, notices }) {
  const told = (code) => notices.some((notice) => notice.code === code);
  const pairs = crossed.map((hose) => fill(t.crossed_pair, hose)).join(', ');
  const text = crossed.length > 0 ? fill(t.crossed, { pairs }) : told('firing-unclear') ? t.firing_unclear : '';
  const box = by('hoses');
  box.hidden = text === '';
  say(box, text);
  say(by('unchecked'), told('hoses-unchecked') ? t.hoses_unchecked : '');
}

/** Whether the readings are in the records. */
function showKept(kept) {
  const box = by('kept');
  box.hidden = kept === null;
  if (kept === null) return;
  box.classList.toggle('trouble', kept.trouble !== null);
  say(box, kept.trouble === null ? fill(t.kept, { count: kept.kept, job: kept.job }) : fill(t.not_kept, { why: kept.trouble }));
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

// At most one drawing for each frame of the screen, of the newest glance.
let newest = null;
function drawNewest() {
  const text = newest;
  newest = null;
  root.classList.remove('lost');
  show(JSON.parse(text));
}
const stream = new EventSource('/bench/stream');
stream.addEventListener('glance', (event) => {
  if (newest === null) requestAnimationFrame(drawNewest);
  newest = event.data;
});
stream.addEventListener('error', () => {
  root.classList.add('lost');
  say(by('engine'), t.lost);
});
root.classList.add('with-script');
