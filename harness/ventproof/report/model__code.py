"""A log's digest as a person compares it: a QR code to be scanned, and short groups to be read aloud (pure)."""

from __future__ import annotations

from io import BytesIO

from harness.record.report.model import Figure


def short_code(digest: str) -> str:
    """Return the first sixteen digits of a digest in groups of four."""
    return " ".join(digest[at : at + 4] for at in range(0, 16, 4))


def qr_figure(digest: str) -> Figure:
    """Return a digest as a QR code (ISO/IEC 18004), dark on light whatever the page."""
    import segno  # noqa: PLC0415 - only reports need it

    drawn = BytesIO()
    segno.make(digest, error="m", micro=False).save(
        drawn, kind="svg", scale=3, border=4, light="#fff", xmldecl=False, nl=False, omitsize=False
    )
    return Figure(drawn.getvalue().decode("utf-8"), f"QR code of the log's digest {digest}")
