"""Pages and papers that other rooms wrote, shown as they are, and shut in: they can do nothing here."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

from starlette.responses import FileResponse, HTMLResponse, Response

_SCRIPT = re.compile(r"<script[^>]*>(.*?)</script>", re.DOTALL)
KINDS = {".html", ".png", ".svg", ".csv", ".json", ".txt", ".pdf", ".md", ".docx"}


def own_page(text: str) -> Response:
    """A page with its own style, and with the scripts that stand in it and no other."""
    digests = (hashlib.sha256(script.encode()).digest() for script in _SCRIPT.findall(text))
    allowed = " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests) or "'none'"
    policy = (
        "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; "
        f"form-action 'none'; frame-ancestors 'none'; script-src {allowed}; "
        "sandbox allow-scripts allow-downloads allow-popups allow-top-navigation-by-user-activation"
    )
    return HTMLResponse(text, headers={"content-security-policy": policy})


def file_of(folder: Path, name: str) -> Response | None:
    """A file that lies in a folder, whatever the name tries; None where there is none that is shown."""
    root = folder.resolve()
    path = (root / name).resolve()
    if not path.is_relative_to(root) or not path.is_file() or path.suffix.casefold() not in KINDS:
        return None
    if path.suffix.casefold() == ".html":
        return own_page(path.read_text(encoding="utf-8"))
    return FileResponse(path, filename=path.name, content_disposition_type="inline"
                        if path.suffix.casefold() in (".png", ".svg", ".txt") else "attachment")  # fmt: skip
