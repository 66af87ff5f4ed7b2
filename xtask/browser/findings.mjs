// What can be wrong with a page at one width and one colour scheme, as plain sentences.

import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const axeSource = readFileSync(createRequire(import.meta.url).resolve('axe-core'), 'utf8');

/** Smallest side of anything to be pressed [CSS px]: greasy gloves need big targets. */
const TARGET_PX = 48;

/** Half a pixel: browsers lay out in fractions and round the scroll width. */
const ROUNDING_PX = 0.5;

/**
 * Opens `url` and returns what is wrong with it; an empty list is a clean page. What the page asks
 * for must come from itself, or from under `home` where one is given.
 * The page stays open for further use by the caller.
 */
export async function findings(page, url, home) {
  const found = [];
  page.on('console', (message) => {
    if (['error', 'warning'].includes(message.type())) found.push(`console: ${message.text()}`);
  });
  page.on('pageerror', (error) => found.push(`script: ${error.message}`));
  page.on('request', (request) => {
    const to = request.url();
    const own = to === url || to.startsWith('data:') || to.startsWith(`${url}#`);
    if (!own && !(home && to.startsWith(`${home}/`))) found.push(`request leaves the file: ${to}`);
  });
  await page.goto(url, { waitUntil: 'load' });
  found.push(...(await page.evaluate(overflow, ROUNDING_PX)));
  found.push(...(await page.evaluate(smallTargets, TARGET_PX)));
  found.push(...(await axe(page)));
  return found;
}

/** Accessibility rules of the axe library, every one that applies without a reader's judgement. */
async function axe(page) {
  await page.evaluate(axeSource);
  const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
  return result.violations.map((rule) => {
    const where = rule.nodes.slice(0, 3).map((node) => node.target.join(' ')).join(' | ');
    return `axe ${rule.id} (${rule.nodes.length}): ${rule.help} at ${where}`;
  });
}

// Runs in the page. A table or picture may scroll inside its own box; the document may not.
function overflow(roundingPx) {
  const root = document.documentElement;
  const width = root.clientWidth;
  if (root.scrollWidth <= width + roundingPx) return [];
  const widest = [...document.body.querySelectorAll('*')]
    .filter((element) => element.getBoundingClientRect().right > width + roundingPx)
    .slice(0, 3)
    .map((element) => `${element.tagName.toLowerCase()}.${element.getAttribute('class') ?? ''}`);
  return [`document is ${root.scrollWidth} px wide in ${width} px: ${widest.join(', ')}`];
}

// Runs in the page. A link inside a sentence is exempt, as in WCAG 2.2, 2.5.8 (exception "inline").
function smallTargets(targetPx) {
  const pressable = 'a[href], button, input:not([type=hidden]), select, textarea, summary, [role=button], [tabindex]:not([tabindex="-1"])';
  const inSentence = (element) =>
    element.matches('a') && getComputedStyle(element).display === 'inline' &&
    [...element.parentElement.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.textContent.trim() !== '');
  // A box that scrolls is reachable by key, and is not pressed.
  const scrolls = (element) => element.matches(':not(a, button, input, select, textarea, summary, [role=button])') &&
    /auto|scroll/.test(getComputedStyle(element).overflowX + getComputedStyle(element).overflowY);
  return [...document.querySelectorAll(pressable)]
    .filter((element) => element.checkVisibility() && !inSentence(element) && !scrolls(element))
    .map((element) => [element, (element.closest('label') ?? element).getBoundingClientRect()])
    // Half a hundredth: heights written in rem come out as 47.999.
    .filter(([, box]) => box.width < targetPx - 0.005 || box.height < targetPx - 0.005)
    .map(([element, box]) => {
      const name = (element.getAttribute('aria-label') ?? element.textContent).trim().slice(0, 40);
      return `${element.tagName.toLowerCase()} "${name}" is ${box.width.toFixed(0)} x ${box.height.toFixed(0)} px, below ${targetPx}`;
    });
}
