"""What a refusal of this server must look like."""

import aiohttp


async def is_problem(response: aiohttp.ClientResponse, status: int) -> str:
    """RFC 9457: the media type, the members, and (ours) a detail that is a sentence."""
    assert response.status == status, await response.text()
    assert response.content_type == "application/problem+json"
    body = await response.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"].endswith(".")
    return str(body["detail"])
