"""A WHIP client written elsewhere, npm's @eyevinn/whip-web-client, in Chromium."""

import subprocess

import pytest
from aiohttp import web

from server.access import public
from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.chromium import chromium
from tests.clients.guidance import first_guidance
from tests.server.live_phone import until
from tests.setup_node import HERE, modules, tool

pytestmark = pytest.mark.browser

CAMERA = (
    "--use-fake-ui-for-media-stream",
    "--use-fake-device-for-media-stream",
    "--allow-loopback-in-peer-connection",
)
STREAM = """async ([endpoint, authkey]) => {
  const stream = await navigator.mediaDevices.getUserMedia({ video: true, audio: false });
  const client = new WHIPClient({
    endpoint,
    opts: { authkey, iceServers: [], noTrickleIce: true, timeout: 500 },
  });
  await client.setIceServersFromEndpoint();
  await client.ingest(stream);
  window.client = client;
  const resource = await client.getResourceUrl();
  return { resource, extensions: await client.getResourceExtensions() };
}"""


def bundle(folder):
    """The client and what it imports as one script; esbuild looks for packages in NODE_PATH."""
    made = folder / "client.js"
    esbuild = modules() / "esbuild" / "bin" / "esbuild"
    words = [str(HERE / "whip_entry.js"), "--bundle", "--format=iife", f"--outfile={made}"]
    subprocess.run(
        [tool("node"), str(esbuild), *words],
        env={"NODE_PATH": str(modules())},
        check=True,
        capture_output=True,
        timeout=60,
    )
    return made


@pytest.mark.timeout(90)
async def test_a_foreign_client_in_a_browser_streams_and_guidance_is_sent(tmp_path):
    script = bundle(tmp_path)

    async def client(_request):
        return web.Response(text=script.read_text("utf-8"), content_type="text/javascript")

    async def page_with_client(_request):
        html = '<!doctype html><title>client</title><script src="/web-client.js"></script>'
        return web.Response(text=html, content_type="text/html")

    def extend(app):
        app.router.add_get("/web-client.js", public("the test's own page")(client))
        app.router.add_get("/web-client", public("the test's own page")(page_with_client))

    told = []
    async with (
        running(ServerConfig(tell=told.append), extend) as server,
        chromium(*CAMERA, whole=True) as browser,
    ):
        page = await browser.new_page(bypass_csp=True)
        errors = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        await page.goto(server.url + "/web-client")
        made = await page.evaluate(STREAM, [server.url + "/whip", server.token])
        guidance = await first_guidance(server, made["resource"])
        assert guidance["type"] == "guidance"
        assert guidance["size"][0] > 0
        # What the answer advertises reaches the client's own list of extensions.
        assert any("text/event-stream" in extension for extension in made["extensions"])
        await page.evaluate("client.destroy()")
        await until(lambda: len(server.app[SESSIONS]) == 0)
        assert errors == []
    assert "The phone is connected." in told
