// Drives Firefox over WebDriver BiDi: node firefox.mjs MODULES FIREFOX URL SECONDS.
// Prints one JSON object: what the page says of itself once guidance has come, or the error.

import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [modules, executablePath, url, seconds] = process.argv.slice(2);
const require = createRequire(pathToFileURL(`${modules}/x.js`));
const { default: puppeteer } = await import(pathToFileURL(require.resolve("puppeteer-core")));

const browser = await puppeteer.launch({
  browser: "firefox",
  protocol: "webDriverBiDi",
  executablePath,
  headless: true,
  extraPrefsFirefox: {
    "media.navigator.streams.fake": true,
    "media.navigator.permission.disabled": true,
    "media.peerconnection.ice.loopback": true,
  },
});
const out = { version: await browser.version(), errors: [] };
try {
  const page = await browser.newPage();
  page.on("console", (message) => message.type() === "error" && out.errors.push(message.text()));
  page.on("pageerror", (error) => out.errors.push(String(error)));
  await page.goto(url);
  await page.waitForSelector("#start:not([hidden]) #go");
  await page.click("#go");
  const end = Date.now() + 1000 * Number(seconds);
  do {
    await new Promise((done) => setTimeout(done, 100));
    out.state = await page.evaluate(() => ({
      screen: document.body.dataset.screen,
      word: document.getElementById("word").textContent,
      video: document.getElementById("video").videoWidth,
      ...window.teesquare.state(),
    }));
  } while (!(out.state.guidance?.seq >= 10) && Date.now() < end);
  await page.click("#stop");
  await page.waitForSelector("#start:not([hidden])");
  out.stopped = true;
} catch (error) {
  out.failed = String(error.stack ?? error);
} finally {
  await browser.close();
}
console.log(JSON.stringify(out));
