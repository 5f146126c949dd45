"""The demo: a simulated phone at a made-up practice ground, streamed to the real server."""
