// A contributor's receipt: heard together, nudged, replaced, withdrawn.

import assert from "node:assert/strict";
import { mkdtemp, readdir, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import path from "node:path";
import { after, before, test } from "node:test";

import { PHONE, SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { handIn, makePiece, makeTake, startService, until } from "./service.mjs";

let service;
let chromium;
let folder;
let marks;

before(async () => {
  [service, chromium] = await Promise.all([startService(), startBrowser()]);
  marks = await makePiece(service);
  folder = await mkdtemp(path.join(tmpdir(), "ripieno-receipts-"));
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
  await rm(folder, { recursive: true, force: true });
});

test("a take is nudged, replaced and withdrawn from its receipt", async () => {
  const made = await handIn(service, await makeTake(service, marks, { seed: 5 }));
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  const home = `${service.base}/receipt/${made.receipt_token}`;
  await page.goto(home);
  await page.getByText("Nudge it").click();
  await page.getByLabel("Milliseconds").fill("12");
  await page.getByRole("button", { name: "Nudge", exact: true }).click();
  await until(async () => {
    const receipt = await (await fetch(`${service.base}/api/v1/receipts/${made.receipt_token}`)).json();
    return receipt.nudge_ms === 12 && receipt.state === "placed";
  });
  await page.goto(home);
  assert.ok(await page.getByText("12 ms").isVisible());
  const [download] = await Promise.all([
    page.waitForEvent("download"),
    page.getByRole("link", { name: "Download all we keep" }).click(),
  ]);
  assert.equal(download.suggestedFilename(), "my-take.json");

  const better = path.join(folder, "better.wav");
  await writeFile(better, await makeTake(service, marks, { seed: 6 }));
  await page.getByRole("link", { name: "Send a better one" }).click();
  await page.getByText("will take the place").waitFor();
  assert.equal(await page.locator("#f-name").inputValue(), "Ada Quay");
  await page.locator("input[type=file]").setInputFiles(better);
  await page.locator("#f-consent_recording").check();
  await page.getByRole("button", { name: "Hand in" }).click();
  await page.getByText("in the mix", { exact: true }).waitFor({ timeout: 30_000 });
  const replaced = page.url();
  await page.goto(home);
  await page.getByText("taken this one").waitFor();

  await page.goto(replaced);
  await page.getByRole("link", { name: "Withdraw" }).click();
  await page.getByRole("button", { name: "Withdraw and delete" }).click();
  await page.getByText("was withdrawn").waitFor();
  await picture(page, "receipt-withdrawn-phone-light");
  await check(page, "a withdrawn receipt");
  assert.deepEqual(errors, []);
  await context.close();
});

test("a take withdrawn on its page leaves the next mix to the last bit, and its files are gone", async () => {
  await handIn(service, await makeTake(service, marks, { seed: 20 }));
  const before = await mixHash();
  const kept = await filesKept();
  const made = await handIn(service, await makeTake(service, marks, { seed: 21 }), {
    name: "Bo Buoy",
    minor: "on",
    guardian: "Cy Buoy",
    email: "bo@harbour.example",
  });
  assert.notEqual(await mixHash(), before);
  assert.ok((await filesKept()) > kept);
  const receipt = `${service.base}/receipt/${made.receipt_token}`;
  const data = `${service.base}/api/v1/receipts/${made.receipt_token}/data`;
  const own = await (await fetch(data)).json();
  assert.equal(own.form.consents.guardian, "Cy Buoy");
  assert.equal(own.form.email, "bo@harbour.example");
  assert.match(own.consent_wording.recording, /\w/);

  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/tide`);
  assert.ok(!/Bo Buoy|Cy Buoy|harbour\.example/.test(await page.content()));
  await page.goto(receipt);
  await page.getByRole("link", { name: "Withdraw" }).click();
  await page.getByRole("button", { name: "Withdraw and delete" }).click();
  await page.getByText("was withdrawn").waitFor();
  assert.deepEqual(errors, []);
  await context.close();

  const tombstone = await (await fetch(data)).json();
  assert.ok(!/Buoy|harbour\.example/.test(JSON.stringify(tombstone)));
  assert.equal(tombstone.withdrawn.withdrawn_by, "contributor");
  assert.equal(tombstone.recording.blake3, null);
  assert.equal(await filesKept(), kept);
  assert.equal(await mixHash(), before);
  assert.ok(!JSON.stringify(await (await service.api("GET", `/api/v1/takes/${made.take_id}`)).json()).includes("Buoy"));
});

test("a question is answered by ear on the receipt, by its player, and at the desk by the keyboard", async () => {
  const made = [];
  for (const seed of [31, 32]) {
    made.push(await handIn(service, await makeTake(service, marks, { mark: false, seed })));
  }
  for (const { receipt } of made) assert.equal(receipt.state, "asks", JSON.stringify(receipt));
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/receipt/${made[0].receipt_token}`);
  await page.getByRole("button", { name: "Listen to this place" }).first().click();
  await page.getByText("Playing.").waitFor();
  const place = page.getByRole("radio").first();
  if (await place.count()) {
    await place.check();
    await page.getByRole("button", { name: "This one is right" }).click();
  } else {
    await page.getByRole("button", { name: "It fits" }).click();
  }
  await page.getByText("in the mix", { exact: true }).waitFor({ timeout: 30_000 });
  assert.deepEqual(errors, []);
  await context.close();

  const desk = await openPage(chromium.browser, SCREENS[3]);
  await desk.page.goto(`${service.base}/desk`);
  await desk.page.getByLabel("Token").focus();
  await desk.page.keyboard.type(service.token);
  await desk.page.keyboard.press("Enter");
  await press(desk.page, "A Short Tide");
  await press(desk.page, /^has a question 1$/);
  await press(desk.page, "Ada Quay");
  await desk.page.getByRole("heading", { name: "Your word on it" }).waitFor();
  assert.equal(await desk.page.getByRole("button", { name: "Use it" }).count(), 0, "it lies nowhere yet");
  await desk.page.getByRole("radio").first().focus();
  await desk.page.keyboard.press("Space");
  await press(desk.page, "Lay it there");
  await until(async () => {
    const take = await (await service.api("GET", `/api/v1/takes/${made[1].take_id}`)).json();
    return take.state === "placed";
  }, 30);
  assert.deepEqual(desk.errors, []);
  await desk.context.close();
});

/** Goes by the Tab key alone to what has this name, sees that it is marked, and presses Enter. */
async function press(page, name) {
  await page.getByText(name).first().waitFor();
  const wanted = typeof name === "string" ? (text) => text === name : (text) => name.test(text);
  for (let step = 0; step < 60; step += 1) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => {
      const { outlineStyle, outlineWidth } = getComputedStyle(document.activeElement);
      return { text: document.activeElement.textContent.trim(), outlineStyle, outlineWidth };
    });
    if (!wanted(here.text)) continue;
    assert.deepEqual([here.outlineStyle, here.outlineWidth], ["solid", "3px"], `${name} shows no focus`);
    await page.keyboard.press("Enter");
    return;
  }
  throw new Error(`the Tab key does not lead to ${name}`);
}

/** BLAKE3 of a preview made now. */
async function mixHash() {
  const asked = await service.api("POST", "/api/v1/pieces/tide/renders", {
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ kind: "preview" }),
  });
  const { id } = await asked.json();
  const render = await until(async () => {
    const now = await (await service.api("GET", `/api/v1/renders/${id}`)).json();
    assert.ok(!["failed", "cancelled"].includes(now.state), JSON.stringify(now));
    return now.state === "done" ? now : null;
  });
  return render.files.find((file) => file.name.startsWith("preview.")).blake3;
}

/** How many files the service keeps as blobs, those of renders aside. */
async function filesKept() {
  const entries = await readdir(path.join(service.home, "blobs"), { recursive: true, withFileTypes: true });
  const renders = await (await service.api("GET", "/api/v1/pieces/tide/renders")).json();
  const ofRenders = renders.reduce((sum, render) => sum + render.files.length, 0);
  return entries.filter((entry) => entry.isFile()).length - ofRenders;
}

test("take and guide play together on the one clock, to the sample", async () => {
  const made = await handIn(service, await makeTake(service, marks, { seed: 8 }));
  const { context, page, errors } = await openPage(chromium.browser, SCREENS[2]);
  await page.addInitScript(() => {
    globalThis.starts = [];
    const real = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function start(at, offset) {
      const { duration } = this.buffer;
      globalThis.starts.push({ at, offset, rate: this.playbackRate.value, duration });
      return real.call(this, at, offset);
    };
  });
  await page.goto(`${service.base}/receipt/${made.receipt_token}`);
  await page.getByLabel("From").selectOption("Ebb");
  await page.getByRole("button", { name: "Against the guide" }).click();
  await page.getByText("Playing.").waitFor();
  await page.getByRole("button", { name: "Stop", exact: true }).click();
  const [take, guide] = await page.evaluate(() => globalThis.starts);
  assert.equal(take.at, guide.at);
  // Ebb begins with bar 9: 32 beats of half a second after bar 1. The take was made with bar 1 two
  // seconds and the lead-in's length after its start.
  const rate = marks.sample_rate;
  const bar1 = 2 + (marks.bar1_beat1_sample - marks.opening.sample) / rate;
  assert.ok(Math.abs(guide.offset - (marks.bar1_beat1_sample / rate + 16)) < 0.5 / rate);
  assert.ok(Math.abs(take.offset - (bar1 + 16)) < 0.003, `${take.offset} and not ${bar1 + 16}`);
  assert.ok(Math.abs(take.rate - 1) < 3e-4);
  assert.deepEqual(errors, []);
  await context.close();
});

test("a take is heard a little louder in the crowd, with scripts and without", async () => {
  const made = await handIn(service, await makeTake(service, marks, { seed: 12 }));
  const receipt = `${service.base}/receipt/${made.receipt_token}`;
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(receipt);
  await page.getByLabel("Section").selectOption("Ebb");
  await page.getByRole("button", { name: "A little louder in the crowd" }).click();
  await page.getByText("Ready.").waitFor({ timeout: 60_000 });
  const sound = page.locator("#louder-sound");
  await page.waitForFunction(() => document.getElementById("louder-sound").duration > 0);
  // Four bars of 4/4 at 120, and what rings on after them.
  const seconds = await sound.evaluate((audio) => audio.duration);
  assert.ok(seconds >= 8 && seconds < 20, `${seconds} s`);
  await check(page, "a receipt with a sound");
  assert.deepEqual(errors, []);
  await context.close();

  const plain = await openPage(chromium.browser, PHONE, { javaScriptEnabled: false });
  await plain.page.goto(receipt);
  await plain.page.getByLabel("Section").selectOption("Flood");
  await plain.page.getByRole("button", { name: "A little louder in the crowd" }).click();
  await plain.page.getByRole("heading", { name: "Your take in the crowd" }).waitFor();
  await plain.page.locator("audio").waitFor({ timeout: 60_000 });
  await picture(plain.page, "louder-phone-light");
  assert.match(await plain.page.locator("audio").getAttribute("src"), /\/louder\/.*\/sound$/);
  await plain.context.close();
});
