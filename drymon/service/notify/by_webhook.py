"""Webhooks: a CloudEvents 1.0 event by HTTP POST, signed as the open Standard Webhooks specification has it.

Headers `webhook-id` (the same on every try: the receiver's key against doubles), `webhook-timestamp` (seconds since
1970, of the try) and `webhook-signature` ("v1," and the base64 HMAC-SHA256 of "id.timestamp.body").
"""

import base64
import binascii
import hashlib
import hmac
import json
import urllib.error
import urllib.request
from collections.abc import Mapping
from datetime import datetime
from http.client import HTTPMessage
from typing import IO, Any

from drymon.errors import SetupError
from drymon.messages.settings import Webhook, read_secret

PREFIX = "whsec_"


class _NoRedirects(urllib.request.HTTPRedirectHandler):
    """A redirected POST would arrive as a GET without its body: that is no delivery."""

    def redirect_request(
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: HTTPMessage, newurl: str
    ) -> None:
        """Never follow."""
        return


def post(hook: Webhook, event: Mapping[str, Any], time: datetime, timeout_s: float) -> None:
    """Deliver one event; any 2xx answer is a delivery. Raises OSError (with the answer's code) where there is none."""
    body = json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()
    headers = {"Content-Type": "application/cloudevents+json; charset=UTF-8", "User-Agent": "drymon"}
    if hook.secret_file is not None:
        key = signing_key(read_secret(hook.secret_file))
        headers |= signature(key, str(event["id"]), int(time.timestamp()), body)
    else:
        headers["webhook-id"] = str(event["id"])
    request = urllib.request.Request(hook.url, body, headers, method="POST")
    opener = urllib.request.build_opener(_NoRedirects)
    try:
        with opener.open(request, timeout=timeout_s) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as error:
        error.close()
        raise OSError(f"the server answered {error.code} {error.reason}") from error


def signing_key(secret: str) -> bytes:
    """The key in a secret: what follows "whsec_" is base64; any other text is the key itself."""
    if not secret.startswith(PREFIX):
        return secret.encode()
    try:
        return base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error as error:
        raise SetupError(f"a webhook secret that begins with {PREFIX} must go on in base64 ({error})") from error


def signature(key: bytes, event_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """The three headers of a signed webhook."""
    signed = hmac.new(key, f"{event_id}.{timestamp}.".encode() + body, hashlib.sha256).digest()
    return {
        "webhook-id": event_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": "v1," + base64.b64encode(signed).decode(),
    }
