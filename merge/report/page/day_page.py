"""A day's brackets on one page, each with its picture, findings and the link to its own page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np

from merge.model import FloatArray, FrameSource, Severity, worst_severity
from merge.pipeline.each import EachSummary, Outcome
from merge.pipeline.page_pictures import screen_pixels
from merge.report.numbers import counted
from merge.report.page.pictures import data_uri, encode_picture
from merge.report.page.shell import Section, render, render_page

# Long side of a bracket's picture, for screens of two dots a pixel.
_SIDE = 720
_QUALITY = 80
# Findings told of a bracket; its own page has all.
_TOLD = 4


def day_picture(pixels: FloatArray, source: FrameSource) -> str:
    """Return a bracket's picture for the page of the day, as a data URI.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
        In the encoding of ``source``.
    source : FrameSource
    """
    height, width = pixels.shape[:2]
    scale = min(1.0, _SIDE / max(height, width))
    size = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
    shown = screen_pixels(np.ascontiguousarray(small, np.float32), source)
    return data_uri(encode_picture(shown, _QUALITY))


def day_page(summary: EachSummary, links: Mapping[str, str]) -> str:
    """Return the page of a day.

    Parameters
    ----------
    summary : EachSummary
        Results hold "record" (with "findings") and "picture" (from `day_picture`).
    links : mapping
        Name of a bracket → its own page, relative to this one.
    """
    cards = [_card(outcome, links.get(outcome.name)) for outcome in summary.outcomes]
    look = [card for card in cards if card["worst"] in ("failed", "problem")]
    html = render("day.html.j2", cards=cards, look=look)
    return render_page(
        title=counted(len(cards), "focus bracket"),
        summary=_summary(cards),
        sections=[Section("brackets", "The brackets", html)],
        data=summary.record(),
        styles=["day.css"],
    )


def _card(outcome: Outcome, link: str | None) -> dict[str, Any]:
    findings = list((outcome.result or {}).get("record", {}).get("findings", ()))
    worst = worst_severity(f["severity"] for f in findings) or "good"
    findings.sort(key=lambda f: -get_args(Severity).index(f["severity"]))
    # One finding about wide steps stands for all gaps of the usual width.
    summed = any(f["kind"] == "wide steps" for f in findings)
    told = [f for f in findings if f["severity"] != "note" and not (summed and f["kind"] == "gap")]
    told = told[:_TOLD]
    first, last = outcome.shots[0], outcome.shots[-1]
    return {
        "name": outcome.name,
        "worst": "failed" if outcome.status == "failed" else worst,
        "message": outcome.message,
        "frames": f"{first} to {last}, {len(outcome.shots)} frames",
        "findings": told,
        "more": len(findings) - len(told),
        "picture": (outcome.result or {}).get("picture"),
        "link": link,
        "output": Path(outcome.output).name if outcome.output else "",
    }


def _summary(cards: list[dict[str, Any]]) -> str:
    count = Counter(card["worst"] for card in cards)
    parts = []
    if count["failed"]:
        parts.append(f"{count['failed']} could not be worked on")
    if count["problem"]:
        parts.append(f"{count['problem']} with problems")
    if count["warning"]:
        parts.append(f"{count['warning']} with warnings")
    fine = count["note"] + count["good"]
    if fine:
        parts.append(f"{fine} without problem or warning")
    return (", ".join(parts) or "Nothing was found").capitalize() + "."
