// Looks at the page as a person indoors does. Arguments: address of the page, folder for pictures.
import { axe, end, ink, launch, listen, sideways, tell, want, wrong } from "./browser.mjs";

const [base, out] = process.argv.slice(2);
const browser = await launch();

const looks = [
  ["day", { viewport: { width: 1000, height: 900 }, colorScheme: "light" }, "rgb(251, 250, 245)"],
  ["night", { viewport: { width: 1000, height: 900 }, colorScheme: "dark" }, "rgb(0, 0, 0)"],
  ["phone-day", { viewport: { width: 390, height: 844 }, colorScheme: "light", deviceScaleFactor: 2, isMobile: true, hasTouch: true }, "rgb(251, 250, 245)"],
  ["phone-night", { viewport: { width: 390, height: 844 }, colorScheme: "dark", deviceScaleFactor: 2, isMobile: true, hasTouch: true }, "rgb(0, 0, 0)"],
];

// 1. An open page hears of a fault by itself.
const first = await (await browser.newContext(looks[0][1])).newPage();
listen(first, "open page");
await first.goto(base + "/");
await first.evaluate(() => { window.neverLoadedAnew = true; });
want(!(await first.textContent("#state")).includes("ended"), "the fault is told before it happened");
tell("OPEN");
await first.waitForFunction(() => document.querySelector("#state").textContent.includes("ended"), null, { timeout: 30000 });
want(await first.evaluate(() => window.neverLoadedAnew === true), "the page was loaded anew");
want((await first.textContent("h1")).toLowerCase().includes("mount"), "the sentence names what ended");
want((await first.textContent(".condition")).includes("failed"), "the condition is said in a word");
await first.waitForFunction(() => /^last seen [0-5] s ago$/.test(document.querySelector("#seen").textContent), null, { timeout: 30000 });
tell("HEARD");

// 2. Every look: readable, no sideways scrolling, no console message, accessible.
for (const [name, options, paper] of looks) {
  const page = await (await browser.newContext(options)).newPage();
  listen(page, name);
  await page.goto(base + "/");
  await page.waitForFunction(() => document.querySelector("svg.picture"), null, { timeout: 30000 });
  const over = await sideways(page);
  want(over <= 0, `${name}: ${over} px wider than the window`);
  const found = await ink(page);
  want(found.paper === paper, `${name}: the paper is ${found.paper}`);
  const small = await page.evaluate(() => {
    // Text in the pictures at the size at which it is drawn, in CSS pixels.
    const shown = [...document.querySelectorAll("svg.picture text")].filter((t) => t.getClientRects().length && t.textContent.trim());
    return Math.min(...shown.map((t) => parseFloat(getComputedStyle(t).fontSize) * (t.ownerSVGElement.getScreenCTM()?.a ?? 1)));
  });
  want(small >= 10.5, `${name}: text of ${small.toFixed(1)} px in a picture`);
  // The night look is dim on purpose, for eyes that are used to the dark: its ink has the contrast, its lesser notes have less.
  const rules = name.includes("night") ? { rules: { "color-contrast": { enabled: false } } } : {};
  for (const v of await axe(page, rules)) wrong.push(`${name}: ${v}`);
  await page.screenshot({ path: `${out}/page-${name}.png`, fullPage: true });
  await page.close();
}

// 3. The look can be chosen, and stays.
{
  const page = await (await browser.newContext(looks[0][1])).newPage();
  listen(page, "choice");
  await page.goto(base + "/");
  await page.click("text=night, red on black");
  await page.waitForLoadState();
  want((await ink(page)).paper === "rgb(0, 0, 0)", "the night look was chosen and is not there");
  await page.reload();
  want((await ink(page)).paper === "rgb(0, 0, 0)", "the night look does not stay");
  await page.click("text=as this device");
  await page.waitForLoadState();
  want((await ink(page)).paper === "rgb(251, 250, 245)", "the device's own look does not come back");
  await page.close();
}

// 4. Without script: the page reloads itself, and its buttons work.
{
  const page = await (await browser.newContext({ ...looks[2][1], javaScriptEnabled: false })).newPage();
  listen(page, "no script");
  await page.goto(base + "/");
  want((await page.locator('noscript meta[http-equiv="refresh"]').count()) === 1, "nothing reloads the page without script");
  await page.locator('button:has-text("Seen")').first().click();
  await page.waitForLoadState();
  want((await page.locator(".notice").count()) >= 1, "the button says nothing of what came of it");
  want((await page.textContent("#state")).includes("seen"), "the alarm is not marked as seen");
  await page.screenshot({ path: `${out}/page-no-script.png`, fullPage: true });
  await page.close();
}

// 4b. What an incident was can be said, without script too; the report of the night and the other pages are as good.
{
  const page = await (await browser.newContext({ ...looks[2][1], javaScriptEnabled: false })).newPage();
  listen(page, "marking");
  await page.goto(base + "/");
  await page.locator("#night details summary").first().click();
  await page.locator('#night label:has-text("a test")').first().click();
  await page.locator('#night input[name="words"]').first().fill("trying it out");
  await page.locator('#night button:has-text("Write it down")').first().click();
  await page.waitForLoadState();
  want((await page.textContent("#night")).includes("marked as test: trying it out"), "the mark is not on the page");
  await page.screenshot({ path: `${out}/page-marked.png`, fullPage: true });
  await page.close();
}
for (const [name, options, paper] of [looks[0], looks[3]]) {
  const page = await (await browser.newContext(options)).newPage();
  listen(page, name + ", other pages");
  await page.goto(base + "/");
  const incident = await page.locator('#night a:has-text("The minutes around it")').first().getAttribute("href");
  for (const path of ["/nights", "/nights/last", "/remedies", incident]) {
    await page.goto(base + path);
    const over = await sideways(page);
    want(over <= 0, `${name} ${path}: ${over} px wider than the window`);
    want((await ink(page)).paper === paper, `${name} ${path}: another paper`);
    const rules = name.includes("night") ? { rules: { "color-contrast": { enabled: false } } } : {};
    for (const v of await axe(page, rules)) wrong.push(`${name} ${path}: ${v}`);
    if (path === incident) want((await page.locator(".rolls table tbody tr").count()) > 5, `${path}: no tables of the minutes around it`);
    await page.screenshot({ path: `${out}/page-${name}${path.replaceAll("/", "-")}.png`, fullPage: true });
  }
  await page.goto(base + "/remedies");
  want((await page.textContent("main")).includes("heating pad, low") === false, "a remedy that nobody wrote down");
  await page.fill("#name", "heating pad, low");
  await page.click('button:has-text("Write it down")');
  await page.waitForLoadState();
  want((await page.textContent("main")).includes("heating pad, low"), "the remedy is not on its page");
  await page.locator('section:has-text("heating pad, low") summary').click();
  await page.click('button:has-text("Remove it from the record")');
  await page.waitForLoadState();
  want(!(await page.textContent("main h2")).includes("heating pad"), "the remedy is still there");
  await page.close();
}
tell("SEEN");

// 5. A silent agent makes the page age, and a live one makes it fresh again. The other side has stopped the agent by now.
await first.waitForFunction(() => document.documentElement.classList.contains("ageing"), null, { timeout: 60000 });
want(/^last seen (1[5-9]|[2-9][0-9]) s ago$/.test(await first.textContent("#seen")), "the page does not say how old it is");
await first.screenshot({ path: `${out}/page-ageing.png` });
tell("AGED");
await first.waitForFunction(() => !document.documentElement.classList.contains("ageing"), null, { timeout: 60000 });
await end(browser);
