"""What the answer to an offer adds to the standard's rules (those: test_rfc9725*.py)."""

import re


async def test_the_first_bitrate_is_hinted_for_every_video_format(phone):
    await phone.post(await phone.offer())
    formats = re.findall(r"a=rtpmap:(\d+) (?:VP8|H264)/", phone.answer)
    assert len(formats) == 3
    for payload in formats:
        lines = re.findall(rf"a=fmtp:{payload} [^\r\n]+", phone.answer)
        assert len(lines) == 1
        assert "x-google-start-bitrate=2000" in lines[0]
    assert "apt=97;x-google" not in phone.answer


async def test_sound_in_the_offer_is_taken_and_thrown_away(phone):
    from aiortc import AudioStreamTrack

    phone.pc.addTransceiver(AudioStreamTrack(), direction="sendonly")
    await phone.connect()
    await phone.of_type("guidance")
