// Opens a report as a person would: on a desk, on a phone, in the red look, on paper. Prints what it found as JSON.
//   node report.mjs REPORT.html FOLDER [chromium]
import { createRequire } from "node:module";
import { writeFileSync } from "node:fs";
const require = createRequire(new URL("../needs/node/", import.meta.url));
const { chromium } = require("playwright-core");

const [file, folder, browserPath = "/usr/bin/chromium"] = process.argv.slice(2);
const browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
const found = { console: [], errors: [], requests: [], looks: {} };

async function open(viewport, more = {}) {
  const context = await browser.newContext({ viewport, ...more });
  const page = await context.newPage();
  page.on("console", (m) => found.console.push(m.text()));
  page.on("pageerror", (e) => found.errors.push(String(e)));
  page.on("request", (r) => found.requests.push(r.url()));
  await page.goto("file://" + file);
  return page;
}

const colours = (page) => page.evaluate(() => {
  const s = getComputedStyle(document.body);
  return { paper: s.backgroundColor, ink: s.color };
});

const desk = await open({ width: 1000, height: 900 });
found.title = await desk.title();
found.desk = await desk.evaluate(() => {
  const shown = [...document.querySelectorAll("svg.picture")].filter((s) => s.getBoundingClientRect().width > 0);
  return { pictures: shown.length, wide: shown.filter((s) => s.classList.contains("wide")).length };
});
await desk.screenshot({ path: folder + "/desk.png", fullPage: true });
found.looks.day = await colours(desk);
await desk.check("#look-night");
found.looks.night = await colours(desk);
await desk.screenshot({ path: folder + "/night.png", fullPage: true });
for (const format of ["A4", "Letter"]) {
  // Printed from the red look: paper must stay black on white all the same.
  writeFileSync(`${folder}/${format}.pdf`, await desk.pdf({ format, printBackground: true }));
}
await desk.emulateMedia({ media: "print" });
found.looks.print = await colours(desk);

const dark = await open({ width: 1000, height: 900 }, { colorScheme: "dark" });
found.looks.dark = await colours(dark);
await dark.check("#look-day");
found.looks.darkThenDay = await colours(dark);

const phone = await open({ width: 390, height: 844 }, { deviceScaleFactor: 2, isMobile: true });
found.phone = await phone.evaluate(() => {
  const shown = [...document.querySelectorAll("svg.picture")].filter((s) => s.getBoundingClientRect().width > 0);
  // The size at which text in a picture is really seen: its own size times the scale of the picture.
  const sizes = shown.flatMap((s) => {
    const scale = s.getBoundingClientRect().width / s.viewBox.baseVal.width;
    return [...s.querySelectorAll("text")].map((t) => parseFloat(getComputedStyle(t).fontSize) * scale);
  });
  // Text that runs out of its picture would be cut.
  const out = shown.flatMap((s) => {
    const box = s.getBoundingClientRect();
    return [...s.querySelectorAll("text")].filter((t) => {
      const b = t.getBoundingClientRect();
      return b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 || b.bottom > box.bottom + 1;
    }).map((t) => t.textContent);
  });
  return {
    width: document.documentElement.scrollWidth,
    pictures: shown.length,
    tall: shown.filter((s) => s.classList.contains("tall")).length,
    smallestText: Math.min(...sizes),
    cut: out,
  };
});
await phone.screenshot({ path: folder + "/phone.png", fullPage: true });
await browser.close();
console.log(JSON.stringify(found));
