// The report of a final, as the file that is handed on: on a phone's and a desk's screen.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { handIn, makePiece, makeTake, startService, until } from "./service.mjs";

const GROUPS = `
[[groups]]
name = "Squeezeboxes"
rules = [{ instrument = "bells" }]

[[groups]]
name = "Donaudampfschifffahrtskapellmeister and all other sounds"
rest = true
`;

let service;
let chromium;
let report;

before(async () => {
  [service, chromium] = await Promise.all([startService(), startBrowser()]);
  const marks = await makePiece(service);
  for (const [seed, instrument] of ["bells", "whistle", "oar"].entries()) {
    const wav = await makeTake(service, marks, { seed: seed + 1 });
    const name = `Player ${seed} of the Northmole`;
    await handIn(service, wav, { name, instrument });
  }
  const names = { Flood: "Undertow", Ebb: "Slack water" };
  const piece = await (await service.api("GET", "/api/v1/pieces/tide")).json();
  for (const section of piece.sections) section.name = names[section.name];
  const json = { "Content-Type": "application/json", "If-Match": "*" };
  const put = async (where, type, body) => {
    const headers = { ...json, "Content-Type": type };
    const answer = await service.api("PUT", `/api/v1/pieces/tide${where}`, { headers, body });
    assert.ok(answer.ok, await answer.text());
  };
  await put("", "application/json", JSON.stringify(piece));
  await put("/arrangement", "application/toml", GROUPS);
  const asked = await service.api("POST", "/api/v1/pieces/tide/renders", {
    headers: json,
    body: JSON.stringify({ kind: "final" }),
  });
  const render = `/api/v1/renders/${(await asked.json()).id}`;
  await until(async () => {
    const now = await (await service.api("GET", render)).json();
    assert.ok(!["failed", "cancelled"].includes(now.state), JSON.stringify(now));
    return now.state === "done";
  });
  report = await (await service.api("GET", `${render}/files/report.html`)).text();
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
});

/** Words of the page that begin on one line and end on another. */
function brokenWords() {
  const broken = [];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    for (const word of texts.currentNode.data.matchAll(/[\p{L}\p{N}]+/gu)) {
      const range = document.createRange();
      range.setStart(texts.currentNode, word.index);
      range.setEnd(texts.currentNode, word.index + word[0].length);
      const seen = [...range.getClientRects()].filter((box) => box.width > 0);
      if (new Set(seen.map((box) => Math.round(box.top))).size > 1) broken.push(word[0]);
    }
  }
  return broken;
}

for (const screen of [...SCREENS, { name: "phone-390", width: 390, height: 844 }]) {
  test(`the report on ${screen.name}`, async () => {
    const { context, page, errors } = await openPage(chromium.browser, screen);
    await page.setContent(report);
    for (const detail of await page.locator("details").all()) await detail.click();
    await picture(page, `report-${screen.name}`);
    await check(page, "the report");
    assert.deepEqual(await page.evaluate(brokenWords), []);
    const cut = await page.evaluate(() =>
      [...document.querySelectorAll(".along span")]
        .filter((name) => name.scrollWidth > name.clientWidth + 1)
        .map((name) => name.textContent),
    );
    assert.deepEqual(cut, [], "names under the drawings are whole");
    assert.deepEqual(errors, []);
    await context.close();
  });
}
