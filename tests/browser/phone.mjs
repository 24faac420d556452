// A phone in the same network: pairs, opens the page, marks an alarm as seen. Arguments: address of the page, folder for
// pictures. The code and the fingerprint of the certificate come on the standard input, as a person would type them.
import { createInterface } from "readline";
import { connect } from "tls";
import { axe, end, launch, listen, sideways, tell, want, wrong } from "./browser.mjs";

const [base, out] = process.argv.slice(2);
const lines = createInterface({ input: process.stdin })[Symbol.asyncIterator]();
const typed = async () => (await lines.next()).value;
const phone = { viewport: { width: 390, height: 844 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true, ignoreHTTPSErrors: true };
const browser = await launch();
const context = await browser.newContext(phone);
const page = await context.newPage();
listen(page, "phone");

const fingerprint = await typed();
if (fingerprint !== "none") {
  const { hostname, port } = new URL(base);
  const shown = await new Promise((done) => {
    const s = connect({ host: hostname, port, rejectUnauthorized: false }, () => { done(s.getPeerCertificate().fingerprint256); s.end(); });
    s.on("error", (e) => done(String(e)));
  });
  want(shown === fingerprint, `the certificate has the fingerprint ${shown}, and the person was told ${fingerprint}`);
}

// Nothing but the pairing page answers.
for (const path of ["/api/v1/summary", "/api/v1/signals", "/api/v1/openapi.json", "/metrics", "/stream", "/page.js", "/nothing"]) {
  const r = await context.request.get(base + path, { maxRedirects: 0 });
  const turned = r.status() === 401 || (r.status() === 303 && r.headers().location === "/pair");
  want(turned, `${path} answers ${r.status()} to a stranger`);
  want(!(await r.text()).includes("orchard"), `${path} tells a stranger what stands here`);
}
for (const path of ["/act", "/api/v1/session", "/api/v1/alarms/acknowledge"]) {
  const r = await context.request.post(base + path, { data: {} });
  want(r.status() === 401, `POST ${path} answers ${r.status()} to a stranger`);
}
await page.goto(base + "/");
want(new URL(page.url()).pathname === "/pair", `a stranger is at ${page.url()}`);
want(!(await page.content()).includes("orchard"), "the pairing page tells a stranger what stands here");
want((await sideways(page)) <= 0, "the pairing page is too wide");
for (const v of await axe(page)) wrong.push(`pairing page: ${v}`);
await page.screenshot({ path: `${out}/phone-pairing.png`, fullPage: true });

// A wrong code, then the right one.
await page.fill("#code", "AAAA-AAAA");
await page.click("button");
await page.waitForSelector('[role="alert"]');
await page.screenshot({ path: `${out}/phone-wrong-code.png`, fullPage: true });
tell("CODE");
const code = await typed();
await page.fill("#code", code);
await page.fill("#name", "Ida's phone");
await page.click("button");
await page.waitForSelector("#state");
want(new URL(page.url()).pathname === "/", `after pairing the phone is at ${page.url()}`);
const cookie = (await context.cookies()).find((c) => c.name === "tilldawn_browser");
want(cookie?.httpOnly && cookie?.sameSite === "Strict", "the cookie can be read by scripts or leaves with other sites' requests");
want(cookie?.secure === base.startsWith("https"), "the cookie is not tied to the encrypted connection");
want((await sideways(page)) <= 0, "the page is too wide");
await page.waitForFunction(() => /^last seen /.test(document.querySelector("#seen").textContent));
await page.screenshot({ path: `${out}/phone-page.png`, fullPage: true });

// The same code opens nothing for another.
const other = await (await browser.newContext(phone)).newPage();
await other.goto(base + "/pair?code=" + code.replace("-", ""));
await other.click("button");
await other.waitForSelector('[role="alert"]');
want(new URL(other.url()).pathname === "/pair", "a code works twice");

// Acknowledge.
await page.locator('button:has-text("Seen")').first().click();
await page.waitForSelector('.notice[role="status"]');
await page.screenshot({ path: `${out}/phone-seen.png`, fullPage: true });
tell("SEEN");

// The browser is let in no longer.
await typed();
const r = await context.request.get(base + "/api/v1/summary");
want(r.status() === 401, `a revoked browser still gets ${r.status()}`);
await end(browser);
