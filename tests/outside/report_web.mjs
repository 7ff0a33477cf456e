// Opens pages in headless Chromium for tests/outside/report_web.py: JSON in, JSON out.
//
// In: {"chromium", "modules", "shots" (or null), "pages": [{"file", "paper": ["a4", …]}]}. Out, for each page: what the console
// said, what it asked for besides itself, pages printed by paper, and what axe-core finds at a wide and a narrow window.
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import path from "node:path";

const asked = JSON.parse(readFileSync(0, "utf8"));
const require = createRequire(path.join(asked.modules, "x.js"));
const puppeteer = require("puppeteer-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const browser = await puppeteer.launch({
  executablePath: asked.chromium,
  headless: true,
  args: [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
  ],
});
const answers = [];
for (const one of asked.pages) {
  const page = await browser.newPage();
  const said = [];
  const requests = [];
  page.on("console", (m) => said.push(`${m.type()}: ${m.text()}`));
  page.on("pageerror", (e) => said.push(`error: ${e.message}`));
  page.on("request", (r) => requests.push(r.url().slice(0, 120)));
  const url = pathToFileURL(one.file).href;
  await page.setViewport({ width: 1100, height: 900 });
  await page.goto(url, { waitUntil: "load" });
  const found = [];
  for (const width of [1100, 420]) {
    await page.setViewport({ width, height: 900 });
    // What is wider than the window cannot be read in it.
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
    if (wide > 0) found.push(`at ${width}: ${wide} px wider than the window`);
    await page.evaluate(axe);
    const result = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
    for (const v of result.violations) found.push(`at ${width}: ${v.id} (${v.impact}): ${v.nodes.length} × ${v.nodes[0].html.slice(0, 120)}`);
    if (asked.shots) await page.screenshot({ path: path.join(asked.shots, `${path.basename(one.file)}-${width}.png`), fullPage: true });
  }
  const printed = {};
  for (const paper of one.paper) {
    const pdf = path.join(path.dirname(one.file), `printed-${path.basename(one.file)}-${paper}.pdf`);
    await page.pdf({ path: pdf, format: paper, preferCSSPageSize: false, printBackground: true, margin: { top: "9mm", bottom: "9mm", left: "9mm", right: "9mm" } });
    printed[paper] = pdf;
  }
  answers.push({ file: one.file, said, asked: requests.filter((r) => !r.startsWith("data:") && r !== url.slice(0, 120)), found, printed });
  await page.close();
}
await browser.close();
process.stdout.write(JSON.stringify(answers));
