// Sample in to pixels changed: a board on a pty sends four channels at 5 kHz, the bench of a job shows
// them in a browser. The board says in a remark when the sample before it was due; the remark passes
// the same way as the samples, and the frame that shows it is when the pixels change.
// Arguments: program, board, empty folder for records, chromium, seconds.

import { spawn } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { chromium } from 'playwright-core';

const [program, boardProgram, data, executablePath, seconds] = process.argv.slice(2);
const BUDGET_MS = 60;

/** The first line a program prints. */
const firstLine = (child) => new Promise((found, failed) => {
  child.stdout.once('data', (text) => found(text.toString().split('\n')[0].trim()));
  child.once('exit', (code) => failed(new Error(`ended with ${code}`)));
});

const board = spawn(boardProgram, ['board'], { stdio: ['ignore', 'pipe', 'inherit'] });
const port = await firstLine(board);
const server = spawn(program, ['serve', '--port', '0', '--data', data, '--serial', port], { stdio: ['ignore', 'pipe', 'ignore'] });
const address = await firstLine(server);
const home = new URL(address).origin;
const browser = await chromium.launch({
  executablePath,
  args: [
    '--no-sandbox', '--disable-gpu', '--disable-background-networking', '--disable-component-update',
    '--disable-sync', '--no-first-run',
  ],
});
try {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  const press = (name) => page.getByRole('button', { name, exact: true }).first().click();
  await page.goto(address);
  await press('Pair');
  await page.goto(`${home}/machines`);
  await page.getByLabel('Name', { exact: true }).fill('In-line four');
  const profiles = await page.locator('#profile option').evaluateAll((all) => all.map((o) => [o.value, o.textContent]));
  const four = profiles.find(([value]) => value.includes('four')) ?? profiles[0];
  await page.locator('#profile').selectOption(four[0]);
  await press('Keep the machine');
  await press('Book in');
  await page.goto(`${page.url().replace('/booking', '')}/readings`);
  await page.getByLabel('sensors on this computer').check();
  await press('Set the bench up for this job');
  await page.waitForFunction(() => /says/.test(document.getElementById('remark').textContent), null, { timeout: 30_000 });
  const delays = await page.evaluate((ms) => new Promise((done) => {
    const found = [];
    const remark = document.getElementById('remark');
    const seen = new MutationObserver(() => {
      const due = Number.parseFloat(remark.textContent.replace(/^\D+/, ''));
      // The text changes in a callback of a frame; the task after it comes when that frame is drawn.
      const drawn = new MessageChannel();
      drawn.port1.onmessage = () => found.push(performance.timeOrigin + performance.now() - due);
      drawn.port2.postMessage(null);
    });
    seen.observe(remark, { childList: true, characterData: true, subtree: true });
    setTimeout(() => done(found), ms);
  }), 1000 * Number(seconds));
  const state = await page.evaluate(() => ({
    engine: document.getElementById('engine').textContent,
    rpm: document.getElementById('rpm').textContent,
    damage: document.getElementById('damage').textContent,
  }));
  delays.sort((a, b) => a - b);
  const share = (part) => delays[Math.min(Math.floor(part * delays.length), delays.length - 1)].toFixed(0);
  const kept = Number(share(0.99)) <= BUDGET_MS ? 'kept' : 'NOT KEPT';
  console.log(`${delays.length} remarks: ${state.engine}, ${state.rpm} rpm; ${state.damage}`);
  console.log(`sample in to pixels changed: p50 ${share(0.5)}, p99 ${share(0.99)}, worst ${share(1)} ms; budget p99 ${BUDGET_MS} ms: ${kept}`);
  console.log(`load of the machine ${readFileSync('/proc/loadavg', 'utf8').trim()}`);
} finally {
  await browser.close();
  server.kill();
  board.kill();
}
