"""The QR code, drawn by segno."""

from __future__ import annotations

import io


def qr_svg(text: str) -> str:
    """`text` as a QR code's svg element, black on white with its quiet zone, so that it reads in any light; error correction M."""
    import segno

    picture = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        picture, kind="svg", xmldecl=False, dark="#000000", light="#ffffff", border=4, omitsize=True
    )
    return picture.getvalue().decode("utf-8")
