// What goes wrong at a contributor's side, through the pages: too large, no sound, too late, full,
// pressed twice, links that lead nowhere, and text of every kind in every field.

import assert from "node:assert/strict";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import path from "node:path";
import { after, before, test } from "node:test";

import { PHONE, SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { PIECE, startService } from "./service.mjs";

const MOST_BYTES = 300_000;

let service;
let chromium;
let folder;

before(async () => {
  const settings = { max_upload_bytes: MOST_BYTES, max_takes_per_piece: 2, workers: 0 };
  [service, chromium] = await Promise.all([startService({ settings }), startBrowser()]);
  folder = await mkdtemp(path.join(tmpdir(), "ripieno-refused-"));
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
  await rm(folder, { recursive: true, force: true });
});

/** The short piece under another name; with `deadline`, open until then. */
async function piece(slug, deadline) {
  let body = PIECE.replace('slug = "tide"', `slug = "${slug}"`);
  if (deadline) body = body.replace(/deadline = ".*"/, `deadline = "${deadline}"`);
  const made = await service.api("POST", "/api/v1/pieces", {
    headers: { "Content-Type": "application/toml" },
    body,
  });
  assert.equal(made.status, 201, await made.clone().text());
}

async function takes(slug) {
  const answer = await service.api("GET", `/api/v1/pieces/${slug}/takes`);
  return (await answer.json()).takes;
}

/** A file on the device: what a sound begins with, then so many bytes of nothing in particular. */
async function file(name, bytes, head = "RIFF\x24\0\0\0WAVEfmt \x10\0\0\0") {
  const where = path.join(folder, name);
  const rest = Buffer.alloc(bytes - head.length).map((_, i) => (i * 151 + name.length) % 256);
  await writeFile(where, Buffer.concat([Buffer.from(head, "latin1"), rest]));
  return where;
}

async function fill(page, fields = {}) {
  const all = { name: "Ada Quay", instrument: "bells", ...fields };
  for (const [name, text] of Object.entries(all)) await page.locator(`#f-${name}`).fill(text);
  await page.locator("#f-consent_recording").check();
}

const handIn = (page) => page.getByRole("button", { name: "Hand in" });

test("a file too large is refused before anything is sent, and without scripts by a page", async () => {
  await piece("large");
  const large = await file("large.wav", MOST_BYTES + 1);
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/large/take`);
  await page.locator("input[type=file]").setInputFiles(large);
  await page.getByText("keep to 293.0 KiB").first().waitFor();
  assert.equal(await page.locator("#chosen li").count(), 0);
  assert.deepEqual(errors, []);
  await context.close();

  const plain = await openPage(chromium.browser, PHONE, { javaScriptEnabled: false });
  await plain.page.goto(`${service.base}/large/take`);
  await plain.page.locator("input[type=file]").setInputFiles(large);
  await fill(plain.page);
  await handIn(plain.page).click();
  await plain.page.getByRole("heading", { name: "Too large" }).waitFor();
  await picture(plain.page, "too-large-phone-light");
  await plain.page.goBack();
  assert.equal(await plain.page.locator("#f-name").inputValue(), "Ada Quay", "nothing to type again");
  await plain.context.close();
  assert.deepEqual(await takes("large"), []);
});

test("a file that is no sound is refused in words, and the form is there for another", async () => {
  await piece("letter");
  const letter = await file("letter.wav", 3_000, "Dear all, ".repeat(290));
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/letter/take`);
  const text = path.join(folder, "text.wav");
  await writeFile(text, "Dear all, here is my recording. ".repeat(90));
  await page.locator("input[type=file]").setInputFiles(text);
  await fill(page);
  await handIn(page).click();
  await page.getByText("not a sound file").first().waitFor();
  await picture(page, "no-sound-phone-light");
  await check(page, "the form after a file that is no sound");
  await page.getByRole("button", { name: "Take out text.wav" }).click();
  await page.locator("input[type=file]").setInputFiles(await file("sound.wav", 2_000));
  await handIn(page).click();
  await page.waitForURL(/\/receipt\//);
  assert.equal((await takes("letter")).length, 1);
  assert.deepEqual(errors, []);
  await context.close();
  await rm(letter);
});

test("a call that is full, or closes while the form is filled in, says so and keeps the words", async () => {
  await piece("full");
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/full/take`);
  await page.locator("input[type=file]").setInputFiles(await file("a.wav", 2_000));
  await fill(page);
  const close = (open) =>
    service.api("PUT", "/api/v1/pieces/full/open", {
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ open }),
    });
  assert.equal((await close(false)).status, 204);
  await handIn(page).click();
  await page.getByRole("alert").getByText("has closed the call").waitFor();
  assert.equal(await page.locator("#f-name").inputValue(), "Ada Quay");
  assert.equal((await close(true)).status, 204);
  for (const index of [0, 1]) {
    const form = new FormData();
    for (const [name, value] of Object.entries({ name: "B", instrument: "bells", consent_recording: "on", consent_version: "1" })) form.append(name, value);
    form.append("recording", new Blob([Buffer.alloc(2_000, index + 1)]), "b.wav");
    const sent = await fetch(`${service.base}/api/v1/pieces/full/takes`, { method: "POST", body: form });
    assert.equal(sent.status, 201, await sent.clone().text());
  }
  await handIn(page).click();
  await page.getByRole("alert").getByText("as many recordings as it can").waitFor();
  await picture(page, "full-phone-light");
  await page.goto(`${service.base}/full/take`);
  await page.getByText("as many recordings as it can").waitFor();
  assert.equal((await takes("full")).length, 2);
  assert.deepEqual(errors, []);
  await context.close();
});

test("after the deadline the call is there to read, and the form is not", async () => {
  await piece("late", "2020-01-31T18:00:00+01:00");
  const { context, page, errors } = await openPage(chromium.browser, SCREENS[3]);
  await page.goto(`${service.base}/late`);
  await page.getByText("Closed. The deadline was").waitFor();
  assert.equal(await page.getByRole("link", { name: "Send a recording" }).count(), 0);
  const answer = await page.goto(`${service.base}/late/take`);
  assert.equal(answer.status(), 403);
  await page.getByRole("heading", { name: "The call is closed" }).waitFor();
  await picture(page, "late-desk-dark");
  await check(page, "a closed call");
  assert.deepEqual(errors, []);
  await context.close();
});

test("a form sent twice, by two presses or by going back, makes one take", async () => {
  await piece("twice");
  const sound = await file("twice.wav", 2_000);
  const { context, page } = await openPage(chromium.browser, PHONE);
  await page.goto(`${service.base}/twice/take`);
  await page.locator("input[type=file]").setInputFiles(sound);
  await fill(page);
  await handIn(page).dblclick();
  await page.waitForURL(/\/receipt\//);
  assert.equal((await takes("twice")).length, 1);
  await context.close();

  await piece("back");
  const plain = await openPage(chromium.browser, PHONE, { javaScriptEnabled: false });
  await plain.page.goto(`${service.base}/back/take`);
  for (let sending = 0; sending < 2; sending += 1) {
    await plain.page.locator("input[type=file]").setInputFiles(sound);
    await fill(plain.page);
    await handIn(plain.page).click();
    await plain.page.waitForURL(/\/receipt\//);
    await plain.page.goBack();
  }
  assert.equal((await takes("back")).length, 1);
  await plain.context.close();
});

test("a link that leads nowhere any more says what may have happened", async () => {
  const { context, page, errors } = await openPage(chromium.browser, PHONE);
  const answer = await page.goto(`${service.base}/receipt/0123456789abcdefghjkmnpqrs`);
  assert.equal(answer.status(), 404);
  await page.getByText("sometimes cut at the end of a line").waitFor();
  await picture(page, "no-receipt-phone-light");
  await check(page, "a receipt that is not there");
  const nowhere = await page.goto(`${service.base}/no/such/place`);
  assert.equal(nowhere.status(), 404);
  await page.getByRole("link", { name: "To the pieces" }).waitFor();
  assert.deepEqual(errors, []);
  await context.close();
});

const MARKUP = `"><img src=x onerror=alert(1)><script>alert(2)</script>{{7*7}}' or 1=1 --`;
const TEXTS = {
  markup: MARKUP,
  "right to left": "שירת הים של נמל הצפון وأصوات البحر",
  combining: "A\u0301da Qua\u0308y Z̸̢͎a̴l̷g̵o̶ N\u0303",
  emoji: "👩🏽‍🎤🪗 Néréide 🏴󠁧󠁢󠁳󠁣󠁴󠁿",
  long: "Donaudampfschifffahrtsgesellschaft".repeat(3),
};

for (const [kind, text] of Object.entries(TEXTS)) {
  test(`text of any kind stands on every page as it was typed: ${kind}`, async () => {
    const slug = `text-${kind.replaceAll(" ", "-")}`;
    await piece(slug);
    const { context, page, errors } = await openPage(chromium.browser, PHONE);
    await page.goto(`${service.base}/${slug}/take`);
    await page.locator("input[type=file]").setInputFiles(await file(`${kind} ä 🪗.wav`, 2_000));
    const fields = { name: text, credit: text, instrument: text, place: text, institution: text };
    await page.locator("#f-minor").check();
    await fill(page, { ...fields, guardian: text });
    await page.locator("#f-consent_credit").check();
    await picture(page, `form-${slug}`);
    await handIn(page).click();
    await page.waitForURL(/\/receipt\//);
    const receipt = page.url();
    await page.locator("dd", { hasText: text }).first().waitFor();
    await picture(page, `receipt-${slug}`);
    await check(page, `a receipt: ${kind}`);

    const [take] = await takes(slug);
    for (const name of Object.keys(fields)) assert.equal(take.form[name], text, name);
    assert.equal(take.form.consents.guardian, text);
    await page.goto(`${service.base}/desk`);
    await page.getByLabel("Token").fill(service.token);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("button", { name: "Sign out" }).waitFor();
    for (const where of [`/desk/${slug}`, `/desk/${slug}/take/${take.id}`]) {
      await page.goto(service.base + where);
      await page.getByText(text).first().waitFor();
      await check(page, where);
    }
    await picture(page, `desk-take-${slug}`);
    // Nothing that a contributor typed is on the public page.
    await page.goto(`${service.base}/${slug}`);
    assert.ok(!(await page.content()).includes(text));
    await page.goto(`${receipt}/withdraw`);
    await check(page, `withdrawing: ${kind}`);
    assert.deepEqual(errors, []);
    await context.close();
  });
}

test("a deadline on both sides of a change to winter time is told apart in the reader's zone", async () => {
  // In Lisbon the clock shows half past one twice that night.
  await piece("summer", "2099-10-25T01:30:00+01:00");
  await piece("winter", "2099-10-25T01:30:00+00:00");
  const shown = {};
  for (const javaScriptEnabled of [true, false]) {
    const { context, page } = await openPage(chromium.browser, PHONE, {
      timezoneId: "Europe/Lisbon",
      javaScriptEnabled,
    });
    for (const slug of ["summer", "winter"]) {
      await page.goto(`${service.base}/${slug}`);
      shown[slug] = await page.locator("p", { hasText: "Open until" }).locator("time").textContent();
      assert.match(shown[slug], /25 October 2099.*0?1:30/);
    }
    assert.notEqual(shown.summer, shown.winter, "the zone tells them apart");
    await context.close();
  }
});
