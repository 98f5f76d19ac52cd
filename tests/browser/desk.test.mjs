// The organiser's way through the desk: who plays, questions, an exchanged take, the arrangement
// map changed place by place and by two at once, previews of some groups, renders deleted.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { SCREENS, check, openPage, picture, startBrowser } from "./browser.mjs";
import { handIn, makePiece, makeTake, startService, until } from "./service.mjs";

const MAP = `
note = "Bells first."

[[groups]]
name = "Bells"
rules = [{ instrument = "bells" }]

[[groups]]
name = "Whistles"
rules = [{ instrument = "whistle" }]

[[groups]]
name = "Horns"
rules = [{ instrument = "foghorn" }]

[[groups]]
name = "Everybody else"
rest = true
gain_db = -1.5

[[cells]]
section = "Flood"
group = "Bells"
mute = true
`;

const PLACE_SCREENS = [
  ...SCREENS,
  { name: "tablet-light", width: 768, height: 1024, colorScheme: "light" },
  { name: "tablet-dark", width: 768, height: 1024, colorScheme: "dark" },
];

let service;
let chromium;
let marks;
const takes = {};

before(async () => {
  [service, chromium] = await Promise.all([startService(), startBrowser()]);
  marks = await makePiece(service);
  for (const [seed, instrument] of ["bells", "bells", "whistle"].entries()) {
    const name = `Player ${seed}`;
    takes[name] = await handIn(service, await makeTake(service, marks, { seed: seed + 1 }), {
      name,
      instrument,
    });
    assert.equal(takes[name].receipt.state, "placed", JSON.stringify(takes[name]));
  }
  const put = await service.api("PUT", "/api/v1/pieces/tide/arrangement", {
    headers: { "Content-Type": "application/toml", "If-Match": "*" },
    body: MAP,
  });
  assert.ok(put.ok, await put.text());
});

after(async () => {
  await chromium?.stop();
  await service?.stop();
});

/** A page of somebody who has signed in, at a place of the desk. */
async function atDesk(where, screen = SCREENS[2], options = {}) {
  const opened = await openPage(chromium.browser, screen, options);
  await opened.page.goto(`${service.base}/desk`);
  await opened.page.getByLabel("Token").fill(service.token);
  await opened.page.getByRole("button", { name: "Sign in" }).click();
  await opened.page.getByRole("link", { name: "A Short Tide" }).waitFor();
  await opened.page.goto(`${service.base}/desk/tide${where}`);
  return opened;
}

async function renders() {
  return (await service.api("GET", "/api/v1/pieces/tide/renders")).json();
}

async function done(id) {
  return until(async () => {
    const now = await (await service.api("GET", `/api/v1/renders/${id}`)).json();
    assert.ok(!["failed", "cancelled"].includes(now.state), JSON.stringify(now));
    return now.state === "done" && now;
  });
}

/** A group's row: how many are in the mix, how many ask, what there is to notice. */
async function row(page, group) {
  const row = page.locator("#crowd tr", { has: page.getByRole("rowheader", { name: group }) });
  const counts = await row.locator("td").allTextContents();
  return [...counts, ...(await row.locator(".hint").allTextContents())];
}

test("the desk says who plays, what lacks, and how many are let in where", async () => {
  const { context, page, errors } = await atDesk("");
  assert.deepEqual(await row(page, "Bells"), ["2", "0", "more than all others together"]);
  assert.deepEqual(await row(page, "Whistles"), ["1", "0", "one alone, heard as a soloist"]);
  assert.deepEqual(await row(page, "Horns"), ["0", "0", "nobody yet"]);
  const sections = await page.locator("#crowd .section-list li").allTextContents();
  assert.deepEqual(sections, ["Flood 1", "Ebb 3"]);
  for (const screen of SCREENS) {
    await page.setViewportSize({ width: screen.width, height: screen.height });
    await page.emulateMedia({ colorScheme: screen.colorScheme });
    await picture(page, `who-plays-${screen.name}`);
    await check(page, "who plays");
  }
  assert.deepEqual(errors, []);
  await context.close();
});

test("the call is closed at the desk and opened again", async () => {
  const { context, page, errors } = await atDesk("");
  const form = () => fetch(`${service.base}/tide/take`).then((answer) => answer.status);
  assert.equal(await form(), 200);
  await page.getByRole("button", { name: "Close the call now" }).click();
  await page.getByText("closed by your word").waitFor();
  assert.equal(await form(), 403);
  const call = await (await fetch(`${service.base}/tide`)).text();
  assert.ok(call.includes("Closed.") && !call.includes("The deadline was"), "it lies ahead still");
  await page.getByRole("button", { name: "Open the call again" }).click();
  await page.getByText("The call is open until").waitFor();
  assert.equal(await form(), 200);
  assert.deepEqual(errors, []);
  await context.close();
});

test("a take is found by the words of its form", async () => {
  const { context, page, errors } = await atDesk("");
  const listed = () => page.locator("#takes td.who").allTextContents();
  assert.equal((await listed()).length, 3);
  await page.getByLabel("By name, instrument or place").fill("WHISTLE slip");
  await page.getByRole("button", { name: "Find" }).click();
  await page.waitForURL(/find=/);
  assert.deepEqual(await listed(), ["Player 2"]);
  await page.getByLabel("By name, instrument or place").fill("nobody at all");
  await page.keyboard.press("Enter");
  await page.getByText("None.").waitFor();
  assert.deepEqual(errors, []);
  await context.close();
});

test("a preview of some groups is asked for with ticks and says what it is", async () => {
  const { context, page, errors } = await atDesk("#renders");
  await page.getByLabel("Which part").selectOption("Ebb");
  await page.getByText("Only some groups").click();
  assert.equal(await page.getByRole("checkbox").count(), 2, "groups with somebody to hear");
  await page.getByLabel("Bells").check();
  await page.getByRole("button", { name: "Render" }).click();
  await page.getByRole("heading", { name: /Preview of Ebb, only Bells/ }).waitFor();
  const [asked] = await renders();
  const { report } = await done(asked.id);
  assert.deepEqual(report.groups.map((group) => [group.name, group.stems]), [["Bells", 2]]);
  assert.deepEqual(report.sections.map((section) => section.name), ["Ebb"]);
  assert.deepEqual(errors, []);
  await context.close();
});

test("one take is heard a little louder, and the render is deleted for good", async () => {
  const id = takes["Player 2"].take_id;
  const { context, page, errors } = await atDesk(`/take/${id}`);
  await page.getByLabel("Section").selectOption("Ebb");
  await page.getByRole("button", { name: "A little louder in the crowd" }).click();
  const heading = page.getByRole("heading", { name: "Player 2 a little louder, done" });
  const [asked] = await renders();
  assert.equal(asked.request.louder_take, id);
  await done(asked.id);
  await heading.waitFor();
  const early = await service.api("DELETE", `/api/v1/renders/${asked.id}`);
  assert.equal(early.status, 409, "calling off one that is over loses nothing");
  const own = page.locator("article", { has: heading });
  await own.getByRole("button", { name: "Delete this render" }).click();
  await page.waitForURL(/#renders/);
  await heading.waitFor({ state: "detached" });
  assert.equal((await service.api("GET", `/api/v1/renders/${asked.id}`)).status, 404);
  const [left] = await renders();
  const gone = await service.api("DELETE", `/api/v1/renders/${left.id}?over=true`);
  assert.equal(gone.status, 204);
  assert.deepEqual(await renders(), []);
  assert.deepEqual(errors, []);
  await context.close();
});

test("a take that is laid anew shows by itself that it has been", async () => {
  const { context, page, errors } = await atDesk(`/take/${takes["Player 1"].take_id}`);
  await page.getByLabel("Nudge, in milliseconds").fill("12");
  await page.getByRole("button", { name: "Nudge" }).click();
  await page.locator(".lead", { hasText: "in the mix" }).waitFor();
  assert.equal(await page.getByLabel("Nudge, in milliseconds").inputValue(), "12");
  assert.deepEqual(errors, []);
  await context.close();
});

test("of two who change the map at once the second is told, and nothing is lost", async () => {
  const first = await atDesk("/arrangement");
  const second = await atDesk("/arrangement");
  const text = (page) => page.getByLabel("The map as text");
  const save = (page) => page.getByRole("button", { name: "Save" }).click();
  const change = async ({ page }, from, to) => {
    await text(page).fill((await text(page).inputValue()).replace(from, to));
    await save(page);
  };
  await change(first, "gain_db = -1.5", "gain_db = -4");
  await first.page.getByText("Group Everybody else goes from -1.5 dB to -4 dB.").waitFor();

  await change(second, "mute = true", "gain_db = -6");
  const alert = second.page.getByRole("alert");
  await alert.getByText("somebody else was faster").waitFor();
  const told = await alert.getByRole("listitem").allTextContents();
  assert.deepEqual(told, [
    "Group Everybody else goes from -1.5 dB to -4 dB.",
    "Bells in Flood is heard again.",
    "Bells in Flood goes from 0 dB to -6 dB.",
  ]);
  assert.match(await text(second.page).inputValue(), /gain_db = -6/, "the second's text is kept");
  for (const screen of SCREENS) {
    await second.page.setViewportSize({ width: screen.width, height: screen.height });
    await second.page.emulateMedia({ colorScheme: screen.colorScheme });
    await picture(second.page, `arrangement-clash-${screen.name}`);
    await check(second.page, "the arrangement after a clash");
  }

  await save(second.page);
  await alert.getByText("somebody else was faster").waitFor();
  await change(second, 'group = "Bells"', 'group = "Bell"');
  await alert.getByText(/Line \d+.*there is no group/).waitFor();
  await text(second.page).fill((await text(second.page).inputValue()).replace('"Bell"', '"Bells"'));
  await second.page.getByLabel("Put this text in place of version 2").check();
  await save(second.page);
  await second.page.getByText("From version 2 to version 3").waitFor();

  await first.page.getByRole("article", { name: "Version 1" })
    .getByRole("button", { name: "Let it stand again" }).click();
  await first.page.getByRole("alert").getByText("Somebody else has saved a version").waitFor();
  await first.page.getByRole("article", { name: "Version 2" })
    .getByRole("button", { name: "Let it stand again" }).click();
  await first.page.getByText("Version 2 restored").waitFor();
  const stands = await service.api("GET", "/api/v1/pieces/tide/arrangement", {
    headers: { Accept: "application/toml" },
  });
  assert.match(await stands.text(), /gain_db = -4/);
  assert.deepEqual([...first.errors, ...second.errors], []);
  await first.context.close();
  await second.context.close();
});

/** The map that stands, as its author wrote it. */
async function mapText() {
  const headers = { Accept: "application/toml" };
  return (await service.api("GET", "/api/v1/pieces/tide/arrangement", { headers })).text();
}

/** Every version of the map, newest first. */
async function mapVersions() {
  return (await service.api("GET", "/api/v1/pieces/tide/arrangement/history")).json();
}

test("one place of the map is changed by a form without a script, and undone", async () => {
  await service.api("PUT", "/api/v1/pieces/tide/arrangement", {
    headers: { "Content-Type": "application/toml", "If-Match": "*" },
    body: `# Ours.\n${MAP}`,
  });
  const versions = (await mapVersions()).length;
  const { context, page, errors } = await atDesk("/arrangement", SCREENS[2], { javaScriptEnabled: false });
  await page.getByRole("link", { name: "Whistles in Ebb: 0 dB" }).click();
  await page.getByLabel("Level in the whole section, dB").fill("-3.5");
  await page.getByLabel("Enters at").fill("9.2");
  await page.getByLabel("Point 1, at").fill("10");
  await page.getByLabel("Level, dB").nth(0).fill("-12");
  await page.getByLabel("Then on by").nth(0).selectOption("s-curve");
  await page.getByLabel("Point 2, at").fill("12");
  await page.getByLabel("Level, dB").nth(1).fill("silence");
  await page.getByRole("button", { name: "Save" }).click();
  const changes = page.locator("#saved li");
  assert.deepEqual(await changes.allTextContents(), [
    "Whistles in Ebb goes from 0 dB to -3.5 dB.",
    "Whistles in Ebb enters at 9.2.",
    "Whistles in Ebb follows a new curve: -12 dB at 10, by s-curve to silence at 12.",
  ]);
  assert.equal((await mapVersions()).length, versions + 1, "one save, one version");
  assert.match(await mapText(), /^# Ours\./, "what its author wrote beside it stays");

  await page.getByRole("link", { name: /^Whistles in Ebb: from 9.2/ }).click();
  assert.equal(await page.getByLabel("Point 2, at").inputValue(), "12");
  assert.equal(await page.getByLabel("Then on by").nth(0).inputValue(), "s-curve");
  await page.getByLabel("Enters at").fill("7");
  await page.getByLabel("Point 1, at").fill("");
  await page.getByLabel("Level, dB").nth(0).fill("");
  await page.getByRole("button", { name: "Save" }).click();
  await page.getByRole("alert").getByText("outside section").waitFor();
  assert.equal(await page.getByLabel("Enters at").inputValue(), "7", "what was typed is kept");
  await page.getByLabel("Enters at").fill("");
  await page.getByLabel("Silent in this section").check();
  await page.getByRole("button", { name: "Save" }).click();
  await page.getByRole("link", { name: "Whistles in Ebb: silent" }).waitFor();

  await page.getByRole("button", { name: "Undo it" }).click();
  await page.getByRole("link", { name: /^Whistles in Ebb: from 9.2/ }).waitFor();
  assert.equal((await mapVersions()).length, versions + 3);
  assert.deepEqual(errors, []);
  await context.close();
});

test("a section is limited to some groups, and a group is muted all along", async () => {
  const { context, page, errors } = await atDesk("/arrangement");
  await page.getByRole("columnheader", { name: "Ebb" }).getByRole("link").click();
  await page.getByLabel("Only these").check();
  await page.getByLabel("Bells").uncheck();
  await page.getByRole("button", { name: "Save" }).click();
  await page.getByText("In Ebb only these are heard: Whistles, Horns, Everybody else.").waitFor();
  await page.getByRole("link", { name: "Bells in Ebb: silent" }).click();
  await page.getByText("only some groups are let in").waitFor();
  await page.getByRole("link", { name: "only some groups are let in" }).click();
  await page.getByLabel("Every group, as its own level says").check();
  await page.getByRole("button", { name: "Save" }).click();
  await page.getByText("In Ebb every group may be heard again.").waitFor();

  await page.getByRole("link", { name: "Everybody else all along: -1.5 dB" }).click();
  await page.getByLabel("Level all along, dB").fill("2");
  await page.getByLabel("Silent all along").check();
  await page.getByRole("button", { name: "Save" }).click();
  await page.getByText("Group Everybody else is muted.").waitFor();
  await page.getByText("Group Everybody else goes from -1.5 dB to +2 dB.").waitFor();
  await page.getByRole("button", { name: "Undo it" }).click();
  await page.getByRole("link", { name: "Everybody else all along: -1.5 dB" }).waitFor();
  const gone = await page.goto(`${service.base}/desk/tide/arrangement/place?group=Nobody`);
  assert.equal(gone.status(), 404);
  assert.deepEqual(errors, []);
  await context.close();
});

test("of two who change places of the map at once the second sees both changes", async () => {
  const first = await atDesk("/arrangement/place?section=Flood&group=Whistles");
  const second = await atDesk("/arrangement/place?section=Flood&group=Horns");
  const level = ({ page }) => page.getByLabel("Level in the whole section, dB");
  const save = ({ page }) => page.getByRole("button", { name: "Save" }).click();
  await level(first).fill("-2");
  await save(first);
  await first.page.getByText("Whistles in Flood goes from 0 dB to -2 dB.").waitFor();
  await level(second).fill("-8");
  await save(second);
  const alert = second.page.getByRole("alert");
  await alert.getByText("somebody else was faster").waitFor();
  assert.deepEqual(await alert.getByRole("listitem").allTextContents(), [
    "Whistles in Flood goes from 0 dB to -2 dB.",
    "Horns in Flood goes from 0 dB to -8 dB.",
  ]);
  assert.equal(await level(second).inputValue(), "-8", "what the second chose is kept");
  for (const screen of PLACE_SCREENS) {
    await second.page.setViewportSize({ width: screen.width, height: screen.height });
    await second.page.emulateMedia({ colorScheme: screen.colorScheme });
    await picture(second.page, `place-clash-${screen.name}`);
    await check(second.page, "a place after a clash");
  }
  await second.page.getByLabel(/Make this change in version/).check();
  await save(second);
  await second.page.getByRole("link", { name: "Horns in Flood: -8 dB" }).waitFor();
  await second.page.getByRole("link", { name: "Whistles in Flood: -2 dB" }).waitFor();
  assert.deepEqual([...first.errors, ...second.errors], []);
  await first.context.close();
  await second.context.close();
});

test("the map and the forms of its places fit every screen", async () => {
  const { context, page, errors } = await atDesk("/arrangement");
  const pages = {
    map: "",
    cell: "/place?section=Ebb&group=Whistles",
    group: "/place?group=Bells",
    section: "/place?section=Ebb",
  };
  for (const [name, where] of Object.entries(pages)) {
    await page.goto(`${service.base}/desk/tide/arrangement${where}`);
    for (const screen of PLACE_SCREENS) {
      await page.setViewportSize({ width: screen.width, height: screen.height });
      await page.emulateMedia({ colorScheme: screen.colorScheme });
      await picture(page, `arrangement-${name}-${screen.name}`);
      await check(page, `the arrangement's ${name}`);
    }
  }
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(`${service.base}/desk/tide/arrangement`);
  await page.getByRole("navigation", { name: "Who is heard in a section" })
    .getByRole("link", { name: "Ebb" }).click();
  await page.getByRole("heading", { name: "Who is heard in Ebb" }).waitFor();
  assert.deepEqual(errors, []);
  await context.close();
});

test("versions are compared with takes called by their players", async () => {
  const id = takes["Player 0"].take_id;
  const read = await mapText();
  const put = await service.api("PUT", "/api/v1/pieces/tide/arrangement", {
    headers: { "Content-Type": "application/toml", "If-Match": "*" },
    body: `${read}\n[[stems]]\ntake = "${id}"\ngain_db = -4\n`,
  });
  const { version } = await put.json();
  assert.ok(version, "saved");
  const said = ["Player 0 (bells) goes from 0 dB to -4 dB."];
  const where = "/api/v1/pieces/tide/arrangement/changes";
  assert.deepEqual((await (await service.api("GET", where)).json()).changes, said);
  const { context, page, errors } = await atDesk(`/arrangement?compare=${version - 1}`);
  assert.deepEqual(await page.locator("#saved li").allTextContents(), said);
  assert.deepEqual(errors, []);
  await context.close();
});

test("an exchanged take is counted once and called replaced", async () => {
  const old = takes["Player 2"];
  const wav = await makeTake(service, marks, { seed: 77 });
  const fields = { name: "Player 2", instrument: "whistle", replaces: old.receipt_token };
  const better = await handIn(service, wav, fields);
  assert.equal(better.receipt.state, "placed");
  const { context, page, errors } = await atDesk("");
  assert.deepEqual((await row(page, "Whistles"))[0], "1");
  await page.getByRole("link", { name: "in the mix 3", exact: true }).waitFor();
  await page.getByText("replaced by a later one 1").waitFor();
  await page.goto(`${service.base}/desk/tide/take/${old.take_id}`);
  await page.locator(".lead", { hasText: "replaced" }).waitFor();
  await page.getByRole("link", { name: "the later take" }).click();
  await page.waitForURL(new RegExp(better.take_id));

  const says = async (token) =>
    (await (await fetch(`${service.base}/api/v1/receipts/${token}`)).json()).says;
  assert.match(await says(old.receipt_token), /newer recording of yours/);
  await page.getByRole("button", { name: "Leave it out" }).click();
  await page.locator(".lead", { hasText: "left out" }).waitFor();
  assert.match(await says(better.receipt_token), /organiser has .* left it out/);
  assert.match(await says(old.receipt_token), /^Your take is in the mix/, "the first is back");
  await page.goto(`${service.base}/desk/tide`);
  assert.deepEqual((await row(page, "Whistles"))[0], "1");
  assert.deepEqual(errors, []);
  await context.close();
});
