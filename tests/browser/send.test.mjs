// A contributor's way from the form to the receipt: without scripts, with them, over a lost
// network, a closed tab and a killed server, by the microphone and by the keyboard.

import assert from "node:assert/strict";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import path from "node:path";
import { after, before, test } from "node:test";

import { PHONE, SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { makePiece, makeTake, startService } from "./service.mjs";

let service;
let chromium;
let folder;
let marks;
let seed = 100;

before(async () => {
  [service, chromium] = await Promise.all([startService(), startBrowser()]);
  marks = await makePiece(service);
  folder = await mkdtemp(path.join(tmpdir(), "ripieno-takes-"));
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
  await rm(folder, { recursive: true, force: true });
});

/**
 * A take as a file on the device, each played differently; with `pad`, that many bytes of silence
 * at its end, with `length`, silence up to that many bytes.
 */
async function file(name, pad = 0, length = 0) {
  const where = path.join(folder, name);
  const wav = await makeTake(service, marks, { seed: (seed += 1) });
  const silence = Buffer.alloc(Math.max(pad, length - wav.length));
  await writeFile(where, Buffer.concat([wav, silence]));
  return where;
}

async function fill(page) {
  await page.locator("#f-name").fill("Ada Quay");
  await page.locator("#f-instrument").fill("two-row melodeon");
  await page.locator("#f-consent_recording").check();
}

/** Lets no more than so many bytes a second out of the page; the answer takes the network away. */
async function throttle(page, perSecond) {
  const session = await page.context().newCDPSession(page);
  await session.send("Network.enable");
  const set = (offline) =>
    session.send("Network.emulateNetworkConditions", {
      offline,
      latency: 5,
      downloadThroughput: -1,
      uploadThroughput: perSecond,
    });
  await set(false);
  return set;
}

test("without scripts the plain form hands a take in", async () => {
  const { context, page } = await openPage(chromium.browser, PHONE, { javaScriptEnabled: false });
  await page.goto(`${service.base}/tide/take`);
  await page.locator("input[type=file]").setInputFiles(await file("plain.wav"));
  await fill(page);
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.waitForURL(/\/receipt\//);
  const began = Date.now();
  await page.getByText("in the mix", { exact: true }).waitFor({ timeout: 30_000 });
  console.log(`plain form: verdict shown ${Date.now() - began} ms after the receipt`);
  await context.close();
});

test("with scripts a take is sent in parts and its verdict shows by itself", async () => {
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/tide/take`);
  await page.locator("input[type=file]").setInputFiles(await file("parts.wav"));
  await fill(page);
  const lastByte = page.waitForResponse((r) => r.request().method() === "POST" && r.url().endsWith("/takes"));
  await page.getByRole("button", { name: "Hand in" }).click();
  await lastByte;
  const began = Date.now();
  await page.getByText("in the mix", { exact: true }).waitFor({ timeout: 30_000 });
  console.log(`last byte to verdict on the page: ${Date.now() - began} ms`);
  assert.equal(await page.locator("svg.wave:visible").count(), 1);
  assert.deepEqual(errors, []);
  await context.close();
});

test("all mistakes of the form are told before anything is sent", async () => {
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/tide/take`);
  let uploads = 0;
  page.on("request", (request) => (uploads += request.url().includes("/uploads") ? 1 : 0));
  await page.locator("form#take").evaluate((form) => (form.noValidate = true));
  await page.locator("#f-email").fill("nobody");
  await page.locator("#f-minor").check();
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.getByRole("alert").waitFor();
  const told = await page.locator("#mistakes li").allTextContents();
  assert.ok(told.length >= 6, told.join("\n"));
  assert.equal(await page.evaluate(() => document.activeElement.id), "mistakes");
  assert.equal(await page.locator("#f-email").getAttribute("aria-invalid"), "true");
  assert.equal(uploads, 0);
  await picture(page, "form-mistakes-phone-light");
  await check(page, "the form with mistakes");
  assert.deepEqual(errors, []);
  await context.close();
});

test("a network lost at 99 % costs nothing that had arrived", async () => {
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/tide/take`);
  const setOffline = await throttle(page, -1);
  // Three whole parts and the last hundredth of the file.
  const whole = 3 * 2 ** 21;
  const long = await file("long.wav", 0, Math.round(whole / 0.99));
  await page.locator("input[type=file]").setInputFiles(long);
  await fill(page);
  const offsets = [];
  await page.route("**/uploads/*", async (route) => {
    const offset = Number(route.request().headers()["upload-offset"]);
    if (route.request().method() === "PATCH") offsets.push(offset);
    if (offset === whole && offsets.length === 4) await setOffline(true);
    await route.continue();
  });
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.getByText("Waiting for the network").first().waitFor({ timeout: 30_000 });
  const bar = await page.locator("progress").evaluate((bar) => bar.value / bar.max);
  assert.ok(bar >= 0.99, `it stands at ${bar}`);
  await picture(page, "sending-waits-phone-light");
  await check(page, "an upload that waits");
  await setOffline(false);
  await page.waitForURL(/\/receipt\//, { timeout: 60_000 });
  assert.deepEqual(offsets.slice(0, 4), [0, 1, 2, 3].map((part) => part * 2 ** 21));
  assert.ok(offsets.slice(4).every((offset) => offset === whole), `began anew: ${offsets}`);
  assert.deepEqual(errors, []);
  await context.close();
});

test("a closed tab and a killed server are gone on from when the file is chosen again", async () => {
  const own = await startService();
  await makePiece(own);
  const { context, page } = await openPage(chromium.browser, SCREENS[2]);
  await page.goto(`${own.base}/tide/take`);
  await throttle(page, 1_000_000);
  const long = await file("closed.wav", 4_000_000);
  await page.locator("input[type=file]").setInputFiles(long);
  await fill(page);
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.waitForFunction(() => Number(document.querySelector("progress")?.value) > 2.2e6, null, {
    timeout: 60_000,
  });
  await picture(page, "sending-desk-light");
  await page.close();
  await own.kill();
  const again = await startService({ folder: own.home, port: own.port });

  const second = await context.newPage();
  const seen = [];
  second.on("request", (request) => {
    if (request.url().includes("/uploads")) seen.push([request.method(), request.headers()["upload-offset"]]);
  });
  await second.goto(`${again.base}/tide/take`);
  assert.equal(await second.locator("#f-name").inputValue(), "Ada Quay", "what was typed is kept");
  assert.equal(await second.locator("#f-consent_recording").isChecked(), false, "consent is asked anew");
  // The same file as the device has it: same name, size and date.
  await second.locator("input[type=file]").setInputFiles(long);
  await fill(second);
  await second.getByRole("button", { name: "Hand in" }).click();
  await second.waitForURL(/\/receipt\//, { timeout: 60_000 });
  const resumed = seen.find(([method]) => method === "PATCH");
  console.log(`after the restart: ${JSON.stringify(seen.slice(0, 3))}`);
  assert.ok(Number(resumed?.[1]) > 0, "it began anew");
  await context.close();
  await again.stop();
});

test("the microphone records with every improvement switched off", async () => {
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.addInitScript(() => {
    const real = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    navigator.mediaDevices.getUserMedia = (wanted) => {
      globalThis.wanted = wanted;
      return real(wanted);
    };
  });
  await page.goto(`${service.base}/tide/take`);
  await page.getByText("Or record here").click();
  await page.locator("[data-with-guide]").uncheck();
  await page.getByRole("button", { name: "Start recording" }).click();
  await page.getByText("Leave a moment of silence").waitFor();
  await page.waitForTimeout(1500);
  await picture(page, "recording-phone-light");
  await page.getByRole("button", { name: "Stop", exact: true }).click();
  await page.locator("#chosen li").waitFor();
  const wanted = await page.evaluate(() => globalThis.wanted.audio);
  assert.deepEqual(
    [wanted.echoCancellation, wanted.noiseSuppression, wanted.autoGainControl],
    [false, false, false],
  );
  await check(page, "the form with a recording");
  await fill(page);
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.waitForURL(/\/receipt\//);
  assert.deepEqual(errors, []);
  await context.close();
});

test("several dropped files become several takes", async () => {
  const { context, page } = await openPage(chromium.browser, SCREENS[2]);
  await page.goto(`${service.base}/tide/take`);
  const second = await makeTake(service, marks, { seed: 77 });
  const chosen = [await file("one.wav"), await file("two.wav")];
  await page.locator("input[type=file]").setInputFiles(chosen);
  await page.getByRole("button", { name: "Take out two.wav" }).click();
  assert.equal(await page.locator("#chosen li").count(), 1);
  const dropped = await page.evaluateHandle((bytes) => {
    const transfer = new DataTransfer();
    transfer.items.add(new File([new Uint8Array(bytes)], "dropped.wav", { type: "audio/wav" }));
    return transfer;
  }, [...second.subarray(0, 400_000)]);
  await page.dispatchEvent(".drop", "drop", { dataTransfer: dropped });
  await fill(page);
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.getByText("Keep these links").waitFor({ timeout: 30_000 });
  assert.equal(await page.getByRole("link", { name: "Your receipt" }).count(), 2);
  await context.close();
});

test("everything can be done by the keyboard", async () => {
  const { context, page } = await openPage(chromium.browser, SCREENS[2]);
  await page.goto(`${service.base}/tide`);
  await page.keyboard.press("Tab");
  assert.equal(await page.evaluate(() => document.activeElement.textContent), "To the content");
  await page.goto(`${service.base}/tide/take`);
  await page.locator("input[type=file]").setInputFiles(await file("keys.wav"));
  await page.locator("#f-name").focus();
  await page.keyboard.type("Kay Board");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  assert.equal(await page.evaluate(() => document.activeElement.id), "f-instrument");
  await page.keyboard.type("bells");
  for (let i = 0; i < 12; i += 1) {
    await page.keyboard.press("Tab");
    if ((await page.evaluate(() => document.activeElement.id)) === "f-consent_recording") break;
  }
  await page.keyboard.press("Space");
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/receipt\//, { timeout: 30_000 });
  await context.close();
});
