"""Provenance in XMP: how a file of ours came about, and that it is one of ours."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

PROVENANCE_NAMESPACE = "urn:depthweld:provenance:1#"

_DEPTH = "depth map"

_PACKET = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:weld="{namespace}"
    weld:Content={content} weld:Version={version} weld:FrameCount="{count}">
   <weld:Settings>{settings}</weld:Settings>
   <weld:Frames>
    <rdf:Seq>{frames}</rdf:Seq>
   </weld:Frames>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""


def build_xmp(
    provenance: Mapping[str, Any], *, content: str = "picture", limit_bytes: int | None = None
) -> bytes:
    """Return an XMP packet that records how a file was made.

    Parameters
    ----------
    provenance : mapping
        "version" (str) and "frames" (sequence of str, one for each frame merged) get fields
        of their own; everything else must fit into JSON and is recorded as the settings.
    content : {"picture", "depth map"}
        What the file holds.
    limit_bytes : int, optional
        Longest packet allowed; only the first and last frame are listed where all do not fit.

    Returns
    -------
    bytes
        UTF-8, form of ISO 16684-1 (XMP), 7.
    """
    frames = [str(frame) for frame in provenance.get("frames", ())]
    packet = _fill(provenance, content, frames, len(frames))
    if limit_bytes is not None and len(packet) > limit_bytes:
        packet = _fill(provenance, content, [frames[0], frames[-1]] if frames else [], len(frames))
    return packet


def own_content(xmp: bytes) -> str | None:
    """Return what a file written by this program holds: "picture" or "depth map".

    None for the files of others. Any version of the namespace counts, in UTF-8 or UTF-16, and
    also after another program has written the packet anew.
    """
    namespace = PROVENANCE_NAMESPACE.rsplit(":", 1)[0]
    for code in ("utf-8", "utf-16-le", "utf-16-be"):
        if namespace.encode(code) in xmp:
            return _DEPTH if _DEPTH.encode(code) in xmp else "picture"
    return None


def _fill(provenance: Mapping[str, Any], content: str, frames: Sequence[str], count: int) -> bytes:
    settings = {k: v for k, v in provenance.items() if k not in {"version", "frames"}}
    text = _PACKET.format(
        namespace=PROVENANCE_NAMESPACE,
        content=quoteattr(content),
        version=quoteattr(str(provenance.get("version", ""))),
        count=count,
        settings=escape(json.dumps(settings, ensure_ascii=False, sort_keys=True, default=str)),
        frames="".join(f"<rdf:li>{escape(frame)}</rdf:li>" for frame in frames),
    )
    return text.encode("utf-8", "replace")
