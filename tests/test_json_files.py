"""JSON from outside: whatever it holds, a result or one line, within a second or so."""

import codecs
import json
import time

import pytest
from click.testing import CliRunner

from merge.cli import main
from merge.errors import ReadError
from merge.json_files import read_json

AUDIT = {
    "tolerance_px": 2.0,
    "focus_axis": {"positions_px": [0.0, 3.0, 12.0], "frames": [0, 1, 2]},
    "findings": [{"kind": "gap", "severity": "problem", "frames": [1, 2], "value": 4.5}],
    "frames": [{"name": f"f{i}.jpg", "focus_distance_m": 1.0 + i} for i in range(3)],
}


def plan_from(path, *arguments):
    return CliRunner().invoke(main, ["plan", "--from", str(path), *arguments])


def changed(where, value):
    data = json.loads(json.dumps(AUDIT))
    place = data
    *path, last = where
    for key in path:
        place = place[key]
    place[last] = value
    return json.dumps(data)


POSITIONS = ("focus_axis", "positions_px")
ODD = {
    "infinite position": changed((*POSITIONS, 1), float("inf")),
    "huge position": changed((*POSITIONS, 1), 1e300),
    "huge whole number": changed((*POSITIONS, 1), 10**400),
    "number out of range": changed((*POSITIONS, 1), 0).replace("0,", "1e999,", 1),
    "undefined position": changed((*POSITIONS, 1), float("nan")),
    "true as position": changed((*POSITIONS, 1), True),
    "text as position": changed((*POSITIONS, 1), "3"),
    "equal positions": changed(POSITIONS, [3.0, 3.0, 3.0]),
    "gap of no width": changed(POSITIONS, [0.0, 3.0, 3.0]),
    "no position": changed(POSITIONS, [None, None, None]),
    "positions as object": changed(POSITIONS, {"0": 1}),
    "axis as list": changed(("focus_axis",), [1, 2]),
    "tolerance zero": changed(("tolerance_px",), 0),
    "tolerance tiny": changed(("tolerance_px",), 1e-300),
    "tolerance as text": changed(("tolerance_px",), "2"),
    "findings as text": changed(("findings",), "gap"),
    "findings of numbers": changed(("findings",), [1, 2]),
    "frames of a gap as number": changed(("findings", 0, "frames"), 1),
    "frames of a gap missing": changed(("findings", 0, "frames"), None),
    "frames of a gap nested": changed(("findings", 0, "frames"), [[1], [2]]),
    "frame below zero": changed(("findings", 0, "frames"), [-1, 2]),
    "frame too high": changed(("findings", 0, "frames"), [1, 10**9]),
    "value as list": changed(("findings", 0, "value"), [1]),
    "frames as numbers": changed(("frames",), [1, 2, 3]),
    "name as list": changed(("frames", 0, "name"), [[]]),
    "magnification tiny": changed(
        ("settings",), {"magnification": 1e-300, "pixel_pitch_um": 4, "f_number": 5.6}
    ),
    "magnification zero": changed(
        ("settings",), {"magnification": 0, "pixel_pitch_um": 4, "f_number": 5.6}
    ),
    "pitch tiny": changed(("pixel_pitch_um",), 5e-324),
    "distance zero": changed(("frames", 0, "focus_distance_m"), 0),
    "distance huge": changed(("frames", 0, "focus_distance_m"), 1e308),
    "deep": "[" * 100_000 + "]" * 100_000,
    "deep inside": changed(("frames", 0, "name"), 0).replace("0", "[" * 900 + "]" * 900, 1),
    "long digits": changed((*POSITIONS, 1), 0).replace("0", "9" * 10_000, 1),
    "a list": "[]",
    "a number": "3",
    "null": "null",
    "empty": "",
    "half": json.dumps(AUDIT)[:70],
}


@pytest.mark.parametrize("text", ODD.values(), ids=ODD)
def test_an_odd_audit_gives_a_plan_or_one_line(tmp_path, text):
    path = tmp_path / "audit.json"
    path.write_text(text)
    began = time.monotonic()
    result = plan_from(path)
    assert time.monotonic() - began < 20
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code in {0, 1}
    if result.exit_code:
        assert len(result.stderr.splitlines()) == 1
        assert len(result.stderr) < 600


@pytest.mark.parametrize("tolerance", ["0.0000000001px", "0.01px", "1e-9"])
def test_a_tiny_tolerance_does_not_plan_for_minutes(tmp_path, tolerance):
    path = tmp_path / "audit.json"
    path.write_text(json.dumps(AUDIT))
    began = time.monotonic()
    result = plan_from(path, "--tolerance", tolerance)
    assert time.monotonic() - began < 20
    assert result.exit_code in {0, 1, 2}
    assert result.exception is None or isinstance(result.exception, SystemExit)


def encodings():
    text = json.dumps(AUDIT)
    return {
        "utf-8": text.encode(),
        "utf-8 with mark": codecs.BOM_UTF8 + text.encode(),
        "utf-16 of a shell": codecs.BOM_UTF16_LE + text.encode("utf-16-le"),
        "utf-16 big": codecs.BOM_UTF16_BE + text.encode("utf-16-be"),
        "utf-16 without mark": text.encode("utf-16-le"),
        "utf-16 big without mark": text.encode("utf-16-be"),
        "utf-32": text.encode("utf-32"),
        "line ends of Windows": json.dumps(AUDIT, indent=1).replace("\n", "\r\n").encode(),
    }


@pytest.mark.parametrize("data", encodings().values(), ids=encodings())
def test_what_a_shell_redirect_writes_is_read(tmp_path, data):
    """RFC 8259, 8.1, asks for UTF-8 without a mark; shells of Windows write otherwise."""
    path = tmp_path / "audit.json"
    path.write_bytes(data)
    result = plan_from(path)
    assert result.exit_code == 0, result.stderr
    assert "f2.jpg" in result.stdout


def test_the_message_tells_the_place(tmp_path):
    path = tmp_path / "a.json"
    path.write_text('{"a": [1, "x"]}')
    schema = {"properties": {"a": {"items": {"type": "number"}}}}
    with pytest.raises(ReadError, match=r"a\.json: .*a\[1\]: 'x' is not of type 'number'"):
        read_json(path, schema=schema, source="x")


def test_a_huge_file_is_not_read_to_its_end(tmp_path):
    path = tmp_path / "a.json"
    with path.open("wb") as file:
        file.truncate(1 << 36)
    with pytest.raises(ReadError, match="more than 64 MiB"):
        read_json(path, schema={}, source="x")


GROUPS = {
    "format": "depthweld sorted frames", "version": 1, "folder": ".",
    "groups": [{"name": "g", "kind": "focus bracket", "certainty": 1, "reason": "", "notes": [],
                "shots": [{"file": "a.jpg", "companions": []}]}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("groups",), {}),
        (("groups", 0), None),
        (("groups", 0, "kind"), "a flock"),
        (("groups", 0, "shots"), []),
        (("groups", 0, "shots", 0), "a.jpg"),
        (("groups", 0, "shots", 0, "file"), "a\0.jpg"),
        (("groups", 0, "shots", 0, "file"), "n" * 5000),
        (("groups", 0, "shots", 0, "file"), "n" * 1000),
        (("groups", 0, "shots", 0, "file"), 3),
        (("groups", 0, "shots", 0, "companions"), "a"),
        (("groups", 0, "certainty"), "high"),
        (("groups", 0, "notes"), [1]),
        (("folder",), 7),
        (("skipped",), [[]]),
        (("version",), 2),
        (("format",), "else"),
    ],
)
@pytest.mark.parametrize("command", ["merge", "audit"])
def test_odd_groups_are_refused_in_one_line(tmp_path, command, where, value):
    data = json.loads(json.dumps(GROUPS))
    place = data
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = value
    path = tmp_path / "sorted.json"
    path.write_text(json.dumps(data))
    result = CliRunner().invoke(main, [command, "--each", str(path)])
    assert result.exit_code == 1
    assert isinstance(result.exception, SystemExit), result.exception
    assert len(result.stderr.splitlines()) == 1
