// Each page in plan.json, at phone and laptop width, light and dark, on screen and on paper.

import assert from 'node:assert/strict';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';
import { findings } from './findings.mjs';

const plan = JSON.parse(readFileSync(new URL('plan.json', import.meta.url), 'utf8'));
const WIDTHS_PX = [390, 1280];
const SCHEMES = ['light', 'dark'];

let browser;
before(async () => {
  mkdirSync(plan.shots, { recursive: true });
  browser = await chromium.launch({
    executablePath: plan.chromium,
    args: [
      '--no-sandbox', '--disable-gpu', '--disable-background-networking', '--disable-component-update',
      '--disable-sync', '--no-first-run',
    ],
  });
});
after(() => browser?.close());

/** A fresh context without a network; closed when `work` is done. */
async function opened(options, work) {
  const context = await browser.newContext({ offline: true, viewport: { width: 1280, height: 900 }, ...options });
  try {
    return await work(await context.newPage());
  } finally {
    await context.close();
  }
}

test('there is at least one page to look at', () => assert.notEqual(plan.pages.length, 0));

for (const { name, path } of plan.pages) {
  const url = pathToFileURL(path).href;
  for (const width of WIDTHS_PX) {
    for (const colorScheme of SCHEMES) {
      test(`${name}, ${width} px, ${colorScheme}`, () =>
        opened({ viewport: { width, height: 900 }, colorScheme }, async (page) => {
          const found = await findings(page, url);
          await page.screenshot({ path: join(plan.shots, `${name}-${width}-${colorScheme}.png`), fullPage: true });
          assert.deepEqual(found, []);
        }));
    }
  }

  test(`${name}, on paper`, () =>
    opened({ colorScheme: 'dark' }, async (page) => {
      await page.goto(url);
      const pdf = await page.pdf({ format: 'A4', printBackground: true });
      writeFileSync(join(plan.shots, `${name}.pdf`), pdf);
      assert.equal(pdf.subarray(0, 5).toString('latin1'), '%PDF-');
      // A4 inside the default margins at 96 px to the inch.
      await page.setViewportSize({ width: 718, height: 1000 });
      await page.emulateMedia({ media: 'print' });
      const { scrollWidth, clientWidth } = await page.evaluate(() => {
        const { scrollWidth, clientWidth } = document.documentElement;
        return { scrollWidth, clientWidth };
      });
      assert.ok(scrollWidth <= clientWidth, `${scrollWidth} px on a sheet of ${clientWidth} px`);
    }));

  test(`${name}, without scripts`, () =>
    opened({ javaScriptEnabled: false }, async (page) => {
      await page.goto(url);
      assert.notEqual((await page.locator('h1').first().innerText()).trim(), '');
    }));
}

// The checks above must be able to fail: this page has one defect of each kind.
test('a page with known defects is caught on each count', () =>
  opened({ viewport: { width: 390, height: 900 } }, async (page) => {
    const found = await findings(page, pathToFileURL(fileURLToPath(new URL('defects.html', import.meta.url))).href);
    for (const kind of [
      /^console: made to complain/, /^script: made to break/, /^request leaves the file: https:/,
      /^document is \d+ px wide in 390 px: div\.wide/, /^button "Small" is \d+ x \d+ px/, /^axe image-alt/,
    ]) {
      assert.equal(found.filter((finding) => kind.test(finding)).length, 1, `${kind} in ${JSON.stringify(found, null, 1)}`);
    }
    assert.ok(!found.some((finding) => finding.includes('in a sentence')), 'a link in a sentence is exempt');
  }));
