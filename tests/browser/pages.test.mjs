// Every page on a phone's and a desk's screen, light and dark: looked at, and checked for
// accessibility.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { handIn, makePiece, makeTake, startService, until } from "./service.mjs";

let service;
let chromium;
const receipts = {};

before(async () => {
  [service, chromium] = await Promise.all([startService(), startBrowser()]);
  const marks = await makePiece(service);
  const names = ["Ada Quay", "<script>alert(1)</script>", "שירת הים", "Néréide 🪗", "Bo Buoy"];
  for (const [index, name] of names.entries()) {
    const wav = await makeTake(service, marks, { seed: index + 1 });
    receipts[name] = await handIn(service, wav, { name, instrument: index ? name : "bells" });
  }
  receipts.lost = await handIn(service, await makeTake(service, marks, { mark: false, seed: 9 }));
  receipts.silent = await handIn(service, Buffer.concat([
    (await makeTake(service, marks)).subarray(0, 44), Buffer.alloc(48_000 * 20),
  ]));
  assert.equal(receipts["Ada Quay"].receipt.state, "placed", JSON.stringify(receipts["Ada Quay"]));
  const asked = await service.api("POST", "/api/v1/pieces/tide/renders", {
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ kind: "preview" }),
  });
  const render = await asked.json();
  await until(async () => {
    const now = await (await service.api("GET", `/api/v1/renders/${render.id}`)).json();
    assert.ok(!["failed", "cancelled"].includes(now.state), JSON.stringify(now));
    return now.state === "done";
  });
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
});

for (const screen of SCREENS) {
  test(`pages for contributors on ${screen.name}`, async () => {
    const { context, page, errors } = await openPage(chromium.browser, screen);
    const pages = {
      pieces: "/",
      call: "/tide",
      form: "/tide/take",
      "receipt-placed": `/receipt/${receipts["Ada Quay"].receipt_token}`,
      "receipt-markup": `/receipt/${receipts["<script>alert(1)</script>"].receipt_token}`,
      "receipt-lost": `/receipt/${receipts.lost.receipt_token}`,
      "receipt-silent": `/receipt/${receipts.silent.receipt_token}`,
      withdraw: `/receipt/${receipts["Bo Buoy"].receipt_token}/withdraw`,
      nothing: "/nowhere-at-all",
    };
    for (const [name, where] of Object.entries(pages)) {
      await page.goto(service.base + where);
      await picture(page, `${name}-${screen.name}`);
      await check(page, name);
    }
    assert.deepEqual(errors, []);
    await context.close();
  });

  test(`the desk on ${screen.name}`, async () => {
    const { context, page, errors } = await openPage(chromium.browser, screen);
    await page.goto(`${service.base}/desk`);
    await picture(page, `desk-sign-in-${screen.name}`);
    await check(page, "sign-in");
    await page.getByLabel("Token").fill("wrong");
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByText("not known here").waitFor();
    await page.getByLabel("Token").fill(service.token);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("link", { name: "A Short Tide" }).waitFor();
    await picture(page, `desk-${screen.name}`);
    await check(page, "desk");
    await page.getByRole("link", { name: "A Short Tide" }).click();
    await page.getByRole("link", { name: "<script>alert(1)</script>" }).waitFor();
    await picture(page, `desk-piece-${screen.name}`);
    await check(page, "the desk's piece");
    await page.getByRole("link", { name: "Ada Quay" }).first().click();
    await page.getByRole("heading", { name: "What was found" }).waitFor();
    await picture(page, `desk-take-${screen.name}`);
    await check(page, "the desk's take");
    await page.getByRole("button", { name: "Sign out" }).click();
    await page.getByLabel("Token").waitFor();
    const cookies = await context.cookies();
    assert.ok(cookies.every((cookie) => cookie.value === ""), JSON.stringify(cookies));
    assert.deepEqual(errors, []);
    await context.close();
  });
}

test("the deadline stands in the reader's own time zone", async () => {
  const { context, page } = await openPage(chromium.browser, SCREENS[2]);
  await page.goto(`${service.base}/tide`);
  // 20 June 2099, 23:59 in Lisbon's summer, is the next morning in Auckland's winter.
  const text = await page.locator("p", { hasText: "Open until" }).locator("time").textContent();
  assert.match(text, /21 June 2099/);
  assert.match(text, /10:59/);
  await context.close();
});

test("the desk's cookie is out of scripts' reach, and forms of others change nothing", async () => {
  const { context, page } = await openPage(chromium.browser, SCREENS[2]);
  await page.goto(`${service.base}/desk`);
  await page.getByLabel("Token").fill(service.token);
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.getByRole("link", { name: "A Short Tide" }).waitFor();
  assert.equal(await page.evaluate(() => document.cookie), "");
  const [cookie] = await context.cookies();
  assert.deepEqual([cookie.httpOnly, cookie.sameSite], [true, "Strict"]);
  const foreign = await fetch(`${service.base}/desk/tide/render`, {
    method: "POST",
    headers: {
      Cookie: `${cookie.name}=${cookie.value}`,
      Origin: "https://elsewhere.example",
      "Content-Type": "application/x-www-form-urlencoded",
    },
    body: "kind=preview",
  });
  assert.equal(foreign.status, 403);
  await context.close();
});
