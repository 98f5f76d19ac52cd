// A real browser on a phone's and a desk's screen, light and dark, with screenshots and a check of
// accessibility.

import assert from "node:assert/strict";
import { mkdir, mkdtemp, readFile, rm } from "node:fs/promises";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import path from "node:path";
import { fileURLToPath } from "node:url";

import { chromium } from "playwright-core";

const OUT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), "../out/browser");
const AXE = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

export const SCREENS = [
  { name: "phone-light", width: 360, height: 740, colorScheme: "light" },
  { name: "phone-dark", width: 360, height: 740, colorScheme: "dark" },
  { name: "desk-light", width: 1280, height: 800, colorScheme: "light" },
  { name: "desk-dark", width: 1280, height: 800, colorScheme: "dark" },
];
export const PHONE = SCREENS[0];

/** Starts the browser; microphone and permissions are pretended. */
export async function startBrowser() {
  await mkdir(OUT, { recursive: true });
  const home = await mkdtemp(path.join(tmpdir(), "ripieno-chromium-"));
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    args: [
      "--headless",
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
      "--use-fake-device-for-media-stream",
      "--use-fake-ui-for-media-stream",
      "--autoplay-policy=no-user-gesture-required",
    ],
  });
  return {
    browser,
    async stop() {
      await browser.close();
      await rm(home, { recursive: true, force: true });
    },
  };
}

/** A page on a screen; anything the page logs as an error fails the test that closes it. */
export async function openPage(browser, screen, options = {}) {
  const context = await browser.newContext({
    viewport: { width: screen.width, height: screen.height },
    colorScheme: screen.colorScheme,
    hasTouch: screen.width < 600,
    timezoneId: "Pacific/Auckland",
    locale: "en-GB",
    permissions: ["microphone"],
    ...options,
  });
  const page = await context.newPage();
  const errors = [];
  page.on("pageerror", (error) => errors.push(String(error)));
  page.on("console", (message) => {
    const expected = /Failed to load resource|net::ERR/.test(message.text());
    if (message.type() === "error" && !expected) errors.push(message.text());
  });
  page.on("dialog", (dialog) => {
    if (dialog.type() === "alert") errors.push(`alert: ${dialog.message()}`);
    dialog.accept();
  });
  return { context, page, errors };
}

/** Keeps a picture of the whole page. */
export async function picture(page, name) {
  await page.screenshot({ path: path.join(OUT, `${name}.png`), fullPage: true });
}

/** No finding of axe on WCAG 2.2 AA, and nothing wider than the screen. */
export async function check(page, name) {
  // As the debugger's own code: the page's policy lets no foreign script in.
  await page.evaluate(AXE);
  const found = await page.evaluate(async () => {
    const result = await globalThis.axe.run(document, {
      runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    });
    const where = (v) => v.nodes.map((n) => n.html.slice(0, 120)).join(" | ");
    return result.violations.map((v) => `${v.id}: ${v.help}: ${where(v)}`);
  });
  assert.deepEqual(found, [], `accessibility of ${name}`);
  const wide = await page.evaluate(() => ({
    page: document.documentElement.scrollWidth,
    screen: document.documentElement.clientWidth,
  }));
  assert.ok(wide.page <= wide.screen, `${name} scrolls sideways: ${wide.page} > ${wide.screen}`);
}
