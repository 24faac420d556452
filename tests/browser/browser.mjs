// What the browser tests share: the browser of the distribution, driven by playwright-core, and the accessibility rules.
import { createRequire } from "module";
import { readFileSync } from "fs";

const require = createRequire(new URL("../needs/node/", import.meta.url));
const { chromium } = require("playwright-core");
const rules = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

export const launch = () =>
  chromium.launch({ executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: ["--no-sandbox", "--disable-dev-shm-usage"] });

// Everything that went wrong; the test on the other side wants it empty.
export const wrong = [];
export const want = (good, words) => { if (!good) wrong.push(words); };

// Console messages of any kind, page errors and refused requests all count.
export const listen = (page, name) => {
  page.on("console", (m) => wrong.push(`${name}: console ${m.type()}: ${m.text()}`));
  page.on("pageerror", (e) => wrong.push(`${name}: ${e.message}`));
  page.on("requestfailed", (r) => {
    // The event stream is cut when a page is left, and so is its small picture when the page is left before that has come.
    const left = r.url().endsWith("/stream") || (r.url().endsWith("/favicon.svg") && r.failure()?.errorText === "net::ERR_ABORTED");
    if (!left) wrong.push(`${name}: ${r.url()} failed: ${r.failure()?.errorText}`);
  });
};

export const sideways = (page) => page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);

// Violations of the accessibility rules. The rules are run by the debugger, which a strict policy does not hinder.
export const axe = async (page, options = {}) => {
  await page.evaluate(rules);
  const found = await page.evaluate((o) => globalThis.axe.run(document, o), options);
  return found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(" ") + " " + (n.any[0]?.message ?? "")).slice(0, 4).join("; ")}`);
};

export const ink = (page) => page.evaluate(() => {
  const s = getComputedStyle(document.body);
  return { paper: s.backgroundColor, ink: s.color };
});

// Steps are told line by line, so that the test can break things in between.
export const tell = (line) => process.stdout.write(line + "\n");

export const end = async (browser) => {
  await browser.close();
  // The standard input may still be open, which would keep the script alive.
  process.stdout.write("RESULT " + JSON.stringify(wrong) + "\n", () => process.exit(0));
};
