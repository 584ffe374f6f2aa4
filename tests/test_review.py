"""The review's server: who may ask, what it does, what it keeps."""

import json
import random
import re
import subprocess
import sys
import time
from itertools import count
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
from click.testing import CliRunner
from small_brackets import group_record, small_bracket, write_frame, write_sorted
from starlette.testclient import TestClient

import merge
from merge.cli import main
from merge.edits import Edit, EditList, edits_record, read_edits
from merge.read import probe_frame, read_samples
from merge.review.app import make_app
from merge.review.guard import Guard
from merge.review.server import serve_review
from merge.review.session import Session

KEY, PORT = "a-key-of-this-test", 8123
HERE = f"http://127.0.0.1:{PORT}"
ORIGIN = {"Origin": HERE}


def write_card(folder, brackets=1, frames=4):
    """Write brackets and the record of a sort that found them; return the record's path."""
    numbers, groups = count(1), []
    for seed in range(brackets):
        pictures, _ = small_bracket(frames, seed=seed + 5)
        paths = []
        for picture in pictures:
            number = next(numbers)
            path = folder / f"CARD_{number:04d}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            paths.append(write_frame(path, picture, number))
        groups.append(group_record(f"bracket-{seed + 1}", paths))
    return write_sorted(folder.parent, groups)


def open_session(place, into):
    """Return a session that has found its groups, a client that may ask, and the state told."""
    session = Session(place, into)
    session.start()
    client = TestClient(Guard(make_app(session), KEY, PORT), base_url=HERE)
    client.get(f"/start?key={KEY}")
    return session, client, wait(client, lambda state: state["finding"]["state"] == "done")


@pytest.fixture
def opened(tmp_path):
    session, client, _ = open_session(write_card(tmp_path / "card"), tmp_path / "out")
    yield session, client
    session.stop()


@pytest.fixture
def session(opened):
    return opened[0]


@pytest.fixture
def page(opened):
    return opened[1]


@pytest.fixture(scope="module")
def edited(tmp_path_factory):
    """Give a session with a merge that may hold edits already, and its client."""
    folder = tmp_path_factory.mktemp("edited")
    session, client, _ = open_session(write_card(folder / "card"), folder / "out")
    merged(client)
    yield session, client
    session.stop()


def wait(client, reached):
    end = time.monotonic() + 300  # the first merge after installing compiles its loops
    while time.monotonic() < end:
        state = client.get("/state").json()
        if reached(state):
            return state
        time.sleep(0.05)
    raise AssertionError(f"not reached: {state}")


def post(client, address, data=None):
    return client.post(address, json=data or {}, headers=ORIGIN)


def merged(client, number=0):
    return worked(client, "merge", number)


def worked(client, task, number=0):
    assert post(client, f"/{task}/{number}").status_code == 200
    state = wait(
        client, lambda s: s["groups"][number]["work"]["state"] not in ("waiting", "running")
    )
    assert state["groups"][number]["work"]["state"] == "done", state["groups"][number]["work"]
    return state


# ---- who may ask ----


def test_without_the_key_nothing_is_told(session):
    client = TestClient(Guard(make_app(session), KEY, PORT), base_url=HERE)
    assert client.get("/state").status_code == 403
    assert client.get("/").status_code == 403
    for query in ("", "?key=", "?key=wrong", f"?key={KEY}x", f"?key={KEY}&more=1"):
        assert client.get(f"/start{query}").status_code == 403
    assert client.get("/state").status_code == 403
    assert client.get(f"/start?key={KEY}").status_code == 200
    assert client.get("/state").status_code == 200


@pytest.mark.parametrize(
    "host", ["example.org", f"example.org:{PORT}", "127.0.0.1", f"0.0.0.0:{PORT}"]
)
def test_another_host_is_refused(page, host):
    """A foreign name that resolves to this machine is of no use (DNS rebinding)."""
    assert page.get("/state", headers={"Host": host}).status_code == 403


@pytest.mark.parametrize("origin", ["http://example.org", "null", f"https://127.0.0.1:{PORT}"])
def test_another_origin_is_refused(page, origin):
    assert page.get("/state", headers={"Origin": origin}).status_code == 403
    assert page.post("/merge/0", json={}, headers={"Origin": origin}).status_code == 403


def test_a_change_without_an_origin_is_refused(page):
    assert page.post("/merge/0", json={}).status_code == 403
    assert page.get("/state").json()["groups"][0]["work"] is None


def test_every_answer_forbids_what_the_page_does_not_need(page):
    for address in ("/", "/state", "/nothing", "/review.js"):
        headers = page.get(address).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe-inline'; base" not in headers["content-security-policy"].split("style")[0]
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


@pytest.mark.parametrize(
    "address",
    [
        "/look/0/tile/../../../../etc/passwd", "/thumbnail/0/..%2f..%2fetc%2fpasswd",
        "/thumbnail/0/99", "/thumbnail/7/0", "/look/0", "/look/0/tile/0,0", "/static/review.js",
        "/thumbnail/-1/0", "//etc/passwd",
    ],
)  # fmt: skip
def test_what_is_not_there_is_not_found(page, address):
    assert page.get(address).status_code == 404


def test_an_odd_request_gets_a_plain_answer(edited):
    _, page = edited
    headers = ORIGIN | {"Content-Type": "application/json"}
    odd = {"[1, 2]": 400, "{": 400, '{"number": 7}': 404, '{"number": "x"}': 400, "{}": 404}
    for data, status in odd.items():
        answer = page.post("/look/0/remove", content=data, headers=headers)
        assert answer.status_code == status, data


# ---- the work ----


def test_a_bracket_is_checked_merged_repaired_undone_and_saved(page, session, tmp_path):
    assert post(page, "/audit/0").status_code == 200
    state = wait(page, lambda s: s["groups"][0]["work"]["state"] == "done")
    assert state["groups"][0]["findings"] is not None
    assert not state["groups"][0]["open"]
    merged(page)
    target = tmp_path / "out" / "focus-bracket-CARD_0001.tif"
    plain = read_samples(probe_frame(target))[0].copy()

    found = post(page, "/look/0/candidates", {"x": 150, "y": 80, "size": 20}).json()["candidates"]
    assert found[0]["detail"] == pytest.approx(1)
    assert [c["edit"]["kind"] for c in found[-2:]] == ["detail", "surface"]
    # The place is in the third of four bands, where the third frame is sharp.
    assert found[0]["name"] == "CARD_0003.jpg"
    chosen = found[1]
    state = post(page, "/look/0/take", {"edit": chosen["edit"]}).json()
    assert state["unsaved"]
    assert np.array_equal(read_samples(probe_frame(target))[0], plain)  # on disk nothing yet
    assert post(page, "/look/0/save").status_code == 200
    edited = read_samples(probe_frame(target))[0].copy()
    assert not np.array_equal(edited, plain)
    record = json.loads(target.with_suffix(".json").read_text(encoding="utf-8"))
    assert [e["frame"] for e in record["edits"]] == [chosen["edit"]["frame"]]

    state = post(page, "/look/0/undo").json()
    assert state["unsaved"]
    assert state["redo"]
    assert np.array_equal(session.look(0).current, session.look(0).base)
    post(page, "/look/0/redo")
    post(page, "/look/0/switch", {"number": 0, "on": False})
    assert np.array_equal(session.look(0).current, session.look(0).base)
    post(page, "/look/0/save")
    assert np.array_equal(read_samples(probe_frame(target))[0], plain)


@pytest.mark.slow
def test_the_command_with_the_saved_edits_gives_the_same_pixels(page, tmp_path):
    merged(page)
    for x, y in ((60, 60), (150, 90), (75, 70)):  # the third overlaps the first
        found = post(page, "/look/0/candidates", {"x": x, "y": y, "size": 20}).json()["candidates"]
        for candidate in found[-3:]:
            assert post(page, "/look/0/take", {"edit": candidate["edit"]}).status_code == 200
    post(page, "/look/0/switch", {"number": 1, "on": False})
    assert post(page, "/look/0/save").status_code == 200
    out = tmp_path / "again.tif"
    edits = tmp_path / "out" / "focus-bracket-CARD_0001.edits.json"
    assert len(read_edits(edits).edits) == 9
    command = ["merge", str(tmp_path / "card"), "-o", str(out), "--edits", str(edits)]
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 0, result.output
    saved = read_samples(probe_frame(tmp_path / "out" / "focus-bracket-CARD_0001.tif"))[0]
    assert np.array_equal(read_samples(probe_frame(out))[0], saved)


def test_edits_in_any_order_of_switching_show_the_same_as_from_the_beginning(edited):
    """Only what is concerned is made anew; it must equal making everything anew."""
    from merge.pipeline.editing import edited_pixels

    look = edited[0].look(0)
    rng = np.random.default_rng(3)
    for k in range(8):
        x, y = rng.uniform(30, 200), rng.uniform(30, 130)
        corners = tuple((x + 15 * np.cos(a), y + 15 * np.sin(a)) for a in np.arange(0, 6.2, 0.5))
        look.add(Edit("frame", corners, f"CARD_{k % 4 + 1:04d}.jpg", feather_px=8))
    for number, on in ((2, False), (5, False), (2, True), (0, False)):
        look.switch(number, on=on)
        assert np.array_equal(look.current, edited_pixels(look.base, look.edits, look.frames))
    for _ in range(6):
        look.undo()
    assert np.array_equal(look.current, edited_pixels(look.base, look.edits, look.frames))


def test_tiles_show_the_picture_exactly_and_change_with_an_edit(page, session):
    merged(page)
    look = session.look(0)
    height, width = look.shape[:2]
    tile = imagecodecs.png_decode(page.get("/look/0/tile/0,0").content)
    assert np.array_equal(tile, look.part((0, 0, height, width)))
    frame = cv2.imdecode(np.frombuffer(page.get("/look/0/frame/1").content, np.uint8), 1)
    assert frame.shape == (height, width, 3)
    region = [[90, 60], [130, 60], [130, 100], [90, 100]]
    edit = {"kind": "frame", "frame": "CARD_0001.jpg", "region": region}
    versions = post(page, "/look/0/take", {"edit": edit}).json()["versions"]
    assert versions == {"0,0": 1}
    after = imagecodecs.png_decode(page.get("/look/0/tile/0,0?v=1").content)
    assert not np.array_equal(after, tile)
    before = imagecodecs.png_decode(page.get("/look/0/tile/0,0?before=1").content)
    assert np.array_equal(before, tile)


def test_an_edit_of_an_unknown_frame_is_refused_and_changes_nothing(edited):
    session, page = edited
    before = session.look(0).edits
    edit = {"kind": "frame", "frame": "../../x.jpg", "region": [[1, 1], [9, 1], [9, 9]]}
    answer = post(page, "/look/0/take", {"edit": edit})
    assert answer.status_code == 409
    assert "not among the frames" in answer.json()["error"]
    assert session.look(0).edits == before


def test_work_can_be_stopped_and_begun_again(tmp_path):
    card = write_card(tmp_path / "card", brackets=2)
    opened, client, _ = open_session(card, tmp_path / "out")
    post(client, "/merge/0")
    post(client, "/merge/1")
    assert post(client, "/merge/1").status_code == 409  # it waits already
    post(client, "/cancel/1")
    post(client, "/cancel/0")
    state = wait(client, lambda s: all(g["work"]["state"] == "cancelled" for g in s["groups"]))
    assert [g["written"] for g in state["groups"]] == ["", ""]
    merged(client, 1)
    opened.stop()


@pytest.mark.slow
def test_a_new_session_shows_what_is_done_and_takes_up_the_edits(page, session, tmp_path):
    merged(page)
    edit = Edit("frame", ((40.0, 40.0), (80.0, 40.0), (60.0, 90.0)), "CARD_0002.jpg")
    session.look(0).add(edit)
    again, client, state = open_session(tmp_path / "sorted.json", tmp_path / "out")
    assert state["groups"][0]["written"] == "focus-bracket-CARD_0001.tif"
    assert state["groups"][0]["findings"] is not None
    target = tmp_path / "out" / "focus-bracket-CARD_0001.tif"
    before = target.read_bytes()
    worked(client, "open")
    assert target.read_bytes() == before
    assert again.look(0).edits == (edit,)
    assert again.look(0).unsaved
    assert np.array_equal(again.look(0).current, session.look(0).current)
    post(client, "/look/0/save")
    again.stop()
    third, client, _ = open_session(tmp_path / "sorted.json", tmp_path / "out")
    worked(client, "open")
    assert not third.look(0).unsaved  # the picture holds them
    third.stop()


def test_a_save_that_fails_leaves_the_old_picture_whole(edited, monkeypatch):
    session, page = edited
    target = session.into / "focus-bracket-CARD_0001.tif"
    before = target.read_bytes()
    session.look(0).add(Edit("frame", ((40.0, 40.0), (80.0, 40.0), (60.0, 90.0)), "CARD_0002.jpg"))

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.replace", full)
        answer = post(page, "/look/0/save")
    assert answer.status_code == 409
    assert "CARD_0001" in answer.json()["error"]
    assert target.read_bytes() == before
    assert session.look(0).unsaved
    assert not [p for p in target.parent.iterdir() if "partial" in p.name]


def test_edits_of_another_picture_are_refused_by_the_command(tmp_path):
    write_card(tmp_path / "card")
    edits = tmp_path / "edits.json"
    one = Edit("detail", ((1.0, 1.0), (9.0, 1.0), (9.0, 9.0)))
    edits.write_text(json.dumps(edits_record(EditList((999, 999), (one,)))), encoding="utf-8")
    command = ["merge", tmp_path / "card", "-o", tmp_path / "x.tif", "--edits", edits]
    result = CliRunner().invoke(main, [str(c) for c in command])
    assert result.exit_code == 1
    assert "999 x 999" in result.stderr
    assert not (tmp_path / "x.tif").exists()


def psnr(picture, truth):
    return -10 * np.log10(np.mean(np.square(picture.astype(np.float64) / 65535 - truth)))


def test_a_double_image_is_repaired_in_three_clicks_to_what_a_still_one_gives(tmp_path):
    """A click on the place, a size larger, a click on the frame: within 1 dB of the still picture.

    The double image is made by hand: the leaf of two frames, half and half, in the merged picture.
    """
    pictures, truth = small_bracket(4, seed=11)
    rows, columns = np.s_[60:90], np.s_[130:160]
    leaf = np.random.default_rng(2).random((30, 30, 3), np.float32) * 0.5 + 0.25
    still = truth.copy()
    still[rows, columns] = leaf
    for picture in pictures:
        picture[rows, columns] = cv2.GaussianBlur(leaf, (0, 0), 2)
    pictures[2][rows, columns] = leaf
    folder = tmp_path / "card"
    folder.mkdir()
    for k, picture in enumerate(pictures, 1):
        write_frame(folder / f"CARD_{k:04d}.jpg", picture, k)
    opened, client, _ = open_session(folder, tmp_path / "out")
    merged(client)
    look = opened.look(0)
    row, column = look.result.origin
    area = np.s_[60 - row : 90 - row, 130 - column : 160 - column]
    whole = still[row : row + look.shape[0], column : column + look.shape[1]]
    undisturbed = psnr(look.base[area], whole[area])
    shifted = np.roll(look.base, 7, axis=1)
    look.base[area] = look.base[area] // 2 + shifted[area] // 2
    look.current[:] = look.base
    spoilt = psnr(look.current[area], whole[area])
    place = {"x": 145 - column, "y": 75 - row}
    for size in (24, 34):
        found = post(client, "/look/0/candidates", place | {"size": size}).json()["candidates"]
    assert found[0]["name"] == "CARD_0003.jpg"
    post(client, "/look/0/take", {"edit": found[0]["edit"]})
    repaired = psnr(look.current[area], whole[area])
    opened.stop()
    assert spoilt < undisturbed - 5
    assert repaired > undisturbed - 1


@pytest.mark.slow
def test_a_finished_merge_is_opened_from_its_record(tmp_path):
    write_card(tmp_path / "card")
    record, picture = tmp_path / "run.json", tmp_path / "mine.tif"
    # With settings of its own: merged by others the picture would not be the one written.
    command = ["merge", tmp_path / "card", "-o", picture, "--record", record]
    command += ["--method", "surface", "--reference", "1", "--extent", "reference"]
    assert CliRunner().invoke(main, [str(c) for c in command]).exit_code == 0
    opened, client, state = open_session(record, tmp_path / "elsewhere")
    assert [g["written"] for g in state["groups"]] == ["mine.tif"]
    assert len(state["groups"][0]["frames"]) == 4
    worked(client, "open")
    base = opened.look(0).base
    assert np.array_equal(base, read_samples(probe_frame(picture))[0])
    look = opened.look(0)
    look.add(Edit("frame", ((40.0, 40.0), (80.0, 40.0), (60.0, 90.0)), "CARD_0002.jpg"))
    # From Python: the record and the file of edits give the same pixels, and leave the files alone.
    before = picture.read_bytes()
    edited = merge.apply_edits(record, tmp_path / "mine.edits.json")
    assert np.array_equal(np.rint(edited.pixels * 65535).astype(np.uint16), look.current)
    assert picture.read_bytes() == before
    opened.stop()


def test_edits_are_applied_from_python_as_by_the_command(tmp_path):
    write_card(tmp_path / "card")
    result = merge.merge_stack(tmp_path / "card")
    height, width = result.pixels.shape[:2]
    one = merge.Edit("frame", ((40.0, 40.0), (80.0, 40.0), (60.0, 90.0)), "CARD_0002.jpg")
    edits = merge.EditList((height, width), (one,))
    (tmp_path / "e.json").write_text(json.dumps(edits_record(edits)), encoding="utf-8")
    command = ["merge", tmp_path / "card", "-o", tmp_path / "x.tif", "--edits", tmp_path / "e.json"]
    assert CliRunner().invoke(main, [str(c) for c in command]).exit_code == 0
    written = read_samples(probe_frame(tmp_path / "x.tif"))[0]
    for given in (edits, [one], tmp_path / "e.json"):
        pixels = merge.apply_edits(result, given).pixels
        assert np.array_equal(np.rint(pixels * 65535).astype(np.uint16), written)
    assert not np.array_equal(np.rint(result.pixels * 65535).astype(np.uint16), written)
    with pytest.raises(merge.MergeError, match="999 x 999"):
        merge.apply_edits(result, merge.EditList((999, 999), (one,)))
    with pytest.raises(merge.ReadError, match="another kind"):
        merge.apply_edits(tmp_path / "e.json", [one])


@pytest.mark.slow
def test_a_save_that_is_killed_leaves_the_old_picture_or_the_new_one_whole(tmp_path):
    """Killed in the midst of saving again and again, in a process of its own."""
    write_card(tmp_path / "card")
    code = (
        "import sys; sys.path[:0] = ['tests', '.']\n"
        "from pathlib import Path; import time\n"
        "from merge.review.session import Session; from merge.edits import Edit\n"
        "s = Session(Path(sys.argv[1]), Path(sys.argv[2])); s.start()\n"
        "while s.finding.state == 'running': time.sleep(0.02)\n"
        "s.ask(0, 'merge')\n"
        "while s.group(0).work.state in ('waiting', 'running'): time.sleep(0.02)\n"
        "look = s.look(0)\n"
        "look.add(Edit('frame', ((40, 40), (90, 40), (60, 90)), 'CARD_0002.jpg'))\n"
        "print('ready', flush=True); look.save(); print('first', flush=True)\n"
        "while True:\n"
        "    look.switch(0, on=not look.edits[0].on); look.save()\n"
    )
    out = tmp_path / "out"
    command = [sys.executable, "-c", code, str(tmp_path / "sorted.json"), str(out)]
    server = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1]
    )
    assert server.stdout.readline() == "ready\n"
    assert server.stdout.readline() == "first\n"
    time.sleep(random.Random(4).uniform(0.1, 0.4))
    server.kill()
    server.wait()
    server.stdout.close()
    target = out / "focus-bracket-CARD_0001.tif"
    picture = read_samples(probe_frame(target))[0]
    record = json.loads(target.with_suffix(".json").read_text(encoding="utf-8"))
    assert picture.shape[0] == record["box_in_reference"]["height"]
    assert read_edits(target.with_suffix(".edits.json")).edits


def test_a_server_that_nobody_asks_ends_by_itself(tmp_path):
    write_card(tmp_path / "card")
    said = []
    serve_review(
        tmp_path / "sorted.json", tmp_path / "out", open_browser=False, tell=said.append, idle_s=0.5
    )
    assert re.search(r"http://127\.0\.0\.1:\d+/start\?key=\S{20,}", said[0])
