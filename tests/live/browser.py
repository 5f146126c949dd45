"""A real Chromium whose camera plays a clip of known poses, on the real page of the real server."""

import json
from contextlib import asynccontextmanager

from server.demo.geometry import gravity
from server.serve import running
from tests.chromium import chromium
from tests.clips import READ_CODE_JS

BIAS_MPS2 = (0.03, 0.05, -0.06)  # a tilt sensor's fixed error, about 0.4 degrees

TILT = """
const GRAVITY = %s, READ = %s, BIAS = %s;
setInterval(() => {
  const video = document.querySelector("video");
  if (!video || !video.videoWidth) return;
  const n = READ(video);
  if (n === null || !GRAVITY[n]) return;
  const [x, y, z] = GRAVITY[n].map((g, i) => g + BIAS[i] + 0.03 * (Math.random() - 0.5));
  const event = new Event("devicemotion");
  event.accelerationIncludingGravity = { x, y, z };
  window.dispatchEvent(event);
}, 50);
"""


@asynccontextmanager
async def page_on_clip(clip, frames, laid, size=(390, 844), config=None):
    """Yields (server, page); the page's tilt sensor tells the pose of the picture it shows."""
    read = json.dumps({f.number: gravity(f.pose, laid) for f in frames})
    async with page_on_tilt(clip, read, BIAS_MPS2, size, config) as opened:
        yield opened


@asynccontextmanager
async def page_on_tilt(clip, gravity_json, bias=(0, 0, 0), size=(390, 844), config=None):
    """The same for a sensor that reads what `gravity_json` holds for each picture's number."""
    script = TILT % (gravity_json, READ_CODE_JS, json.dumps(bias))
    camera = (
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        "--allow-loopback-in-peer-connection",
        f"--use-file-for-fake-video-capture={clip}",
    )
    async with running(config) as server, chromium(*camera, whole=True) as browser:
        context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = await context.new_page()
        await page.add_init_script(script)
        yield server, page


async def begin(page, server, view):
    """Open the page by its address, choose the view, and give the one tap."""
    await page.goto(server.page_url)
    await page.click(f"label[for=view-{view.value}]")
    await page.click("#go")
