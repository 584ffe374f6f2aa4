"""Sorting: whole cards with known groups, pairs and counters, folders, resumed jobs."""

import datetime as dt
import json
import os
import re
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import card_patterns as hard
import numpy as np
import pytest
from click.testing import CliRunner
from marks import slow
from PIL import Image

from merge.cli.sort import command
from merge.errors import MergeError, ReadError, WriteError
from merge.model import CaptureSettings, FrameSource
from merge.pipeline.demo import write_demo
from merge.pipeline.each import chosen_groups, run_each
from merge.pipeline.sorting import load_groups, place_sorted, sort_folder
from merge.read import probe_frame, read_preview
from merge.report.sort import each_line, outcome_line, sort_text, sum_line
from merge.sort import name_groups, place_groups, reasons, sort_frames, to_record
from merge.sort.folders import copy_file
from merge.sort.groups import FrameGroup, Shot, SortedFrames
from merge.sort.shots import (
    in_shooting_order,
    name_parts,
    pair_files,
    split_cameras,
    without_wrong_times,
)


def files_of(result) -> list[Path]:
    return [f.path for g in result.groups for s in g.shots for f in s.files]


def found_groups(result) -> list[tuple[str, frozenset[Path]]]:
    return [(g.kind, frozenset(f.path for s in g.shots for f in s.files)) for g in result.groups]


def contents(folder: Path) -> dict[Path, tuple[bytes, int]]:
    files = (p for p in folder.rglob("*") if p.is_file())
    return {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in files}


def source(name: str, kind="jpeg", at=None, **settings) -> FrameSource:
    captured = CaptureSettings(captured_at=at, **settings)
    return FrameSource(Path(name), kind, (100, 150, 3), 8, "srgb", None, captured)


BRACKET = slice(5, 11)  # of the day's files


def copied(day, target, which=slice(12)) -> Path:
    target.mkdir(parents=True)
    for path in sorted(day[0].iterdir())[which]:
        shutil.copy2(path, target)
    return target


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Write a card with every kind of group; give it and its truth."""
    folder = tmp_path_factory.mktemp("card")
    card = hard.Card(folder, 1)
    card.now, card.distances = dt.datetime(2024, 5, 17, 6, 30, 12), "fine"
    for _ in range(2):
        hard.a_day(card)
        card.wait(60)
    return folder, card.groups


@pytest.fixture(scope="module")
def sorted_day(day):
    return sort_folder(day[0])


# -- whole cards --------------------------------------------------------------------------


# The fast part takes every ninth; more seeds: tests/benchmarks/bench_sort.py.
@pytest.mark.parametrize(
    "pattern",
    [slow(p) if i % 9 else p for i, p in enumerate(hard.PATTERNS)],
    ids=lambda p: p.__name__,
)
def test_a_card_is_grouped_right(tmp_path, pattern):
    truth = hard.write_card(tmp_path, pattern, seed=3).groups
    before = contents(tmp_path)
    result = sort_folder(tmp_path)
    assert Counter(files_of(result)) == Counter(before.keys())
    assert contents(tmp_path) == before
    assert hard.share_right(truth, found_groups(result)) == 1


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        (hard.exposures_at_each_focus, "focus positions, exposure brackets of 3 shots"),
        (hard.apertures_at_each_focus, "focus positions, aperture series of 4 shots"),
        (hard.brackets_at_each_aperture, "one focus bracket at 3 f-numbers"),
        (hard.brackets_at_each_exposure, "one focus bracket at 3 exposures"),
        (hard.panorama_of_brackets, "a panorama of 3 focus brackets"),
        (hard.rail, "the camera moved (a rail)"),
    ],
    ids=lambda p: getattr(p, "__name__", ""),
)
def test_brackets_of_brackets_and_rails_are_told(tmp_path, pattern, words):
    card = hard.Card(tmp_path, 5)
    card.distances = "fine"
    pattern(card)
    result = sort_folder(tmp_path)
    assert hard.share_right(card.groups, found_groups(result)) == 1
    assert len(result.sets) == len(card.sets)
    assert words in sort_text(result)


def test_equal_names_show_their_folders(tmp_path):
    hard.write_card(tmp_path, hard.same_names_in_two_folders)
    text = sort_text(sort_folder(tmp_path))
    assert re.search(r"card1/\w+\.JPG … card1/\w+\.JPG", text)
    assert re.search(r"card2/\w+\.JPG … card2/\w+\.JPG", text)


def test_a_name_of_two_lines_is_shown_in_one():
    singles = [FrameGroup("single", (Shot(source(n)),), "", 0.9) for n in ("a.jpg", "b\nc.jpg")]
    assert sort_text(SortedFrames(tuple(singles))).splitlines()[0].endswith(r"b\x0ac.jpg, 2 shots")


def test_a_wrong_grouping_would_be_counted(day):
    _, truth = day
    every = frozenset(f for g in truth for f in g.files)
    assert hard.share_right(truth, [("focus bracket", every)]) == 0
    right = [(g.kind, frozenset(g.files)) for g in truth]
    assert hard.share_right(truth, right) == 1
    assert hard.share_right(truth, right[1:]) < 1


def test_each_group_has_a_reason_and_certainty(sorted_day):
    for group in sorted_day.groups:
        assert len(group.reason) > 20
        assert 0 < group.certainty <= 1
    bracket = next(g for g in sorted_day.groups if g.kind == "focus bracket")
    assert "near to far" in bracket.reason
    back = next(g for g in sorted_day.groups if len(g.shots) == 12)
    assert "far to near" in back.reason
    series = next(g for g in sorted_day.groups if g.kind == "aperture series")
    assert "f/4 → f/16" in series.reason


def test_a_pause_inside_a_bracket_is_noted(tmp_path):
    card = hard.Card(tmp_path, 1)
    scene, group = card.scene(), card.group("focus bracket")
    hard.bracket(card, scene, 10, part=(0, 5), group=group)
    card.wait(130)
    hard.bracket(card, scene, 10, part=(5, 10), group=group)
    brackets = [g for g in sort_folder(tmp_path).groups if g.kind == "focus bracket"]
    assert any("a pause of 2.2 min before shot" in note for g in brackets for note in g.notes)


def test_an_unreadable_file_is_named_and_the_rest_is_sorted(tmp_path, day):
    card = copied(day, tmp_path / "card")
    (card / "FRM_0500.JPG").write_bytes(b"no picture at all")
    result = sort_folder(card)
    assert len(files_of(result)) == 13
    bad = [s for g in result.groups for s in g.shots if s.problem]
    assert [s.source.name for s in bad] == ["FRM_0500.JPG"]
    assert "FRM_0500.JPG: not a picture" in sort_text(result)


@pytest.mark.parametrize("kept", [0, 60, 4000])
@pytest.mark.parametrize("which", [3, 5], ids=["inside", "last"])
def test_a_damaged_file_stays_in_its_bracket(tmp_path, day, kept, which):
    """The bracket is known to be broken, not merged without it or in two halves."""
    card = copied(day, tmp_path / "card", BRACKET)
    cut = sorted(card.iterdir())[which]
    cut.write_bytes(cut.read_bytes()[:kept])
    result = sort_folder(card)
    assert [(g.kind, len(g.shots)) for g in result.groups] == [("focus bracket", 6)]
    assert [bool(s.problem) for s in result.groups[0].shots] == [i == which for i in range(6)]
    assert f"cannot be used: {cut.name}" in sort_text(result)


@pytest.mark.parametrize("what", ["missing", "empty", "file"])
def test_a_folder_without_pictures_is_refused(tmp_path, what):
    target = tmp_path / what
    if what == "empty":
        target.mkdir()
    elif what == "file":
        target.write_text("x")
    with pytest.raises(ReadError, match=r"Give the folder that holds a day's files"):
        sort_folder(target)


@pytest.mark.parametrize("known", [True, False], ids=["distances", "pictures alone"])
def test_independently_rendered_brackets_are_found(known):
    """The sample brackets in fixtures/ are path-traced, not made by the card generator."""
    fixtures = Path(__file__).parents[1] / "fixtures"
    paths = sorted([*fixtures.glob("macro/*.jpg"), *fixtures.glob("landscape/*.jpg")])
    sources = [probe_frame(path) for path in paths]
    if not known:
        sources = [replace(s, settings=replace(s.settings, focus_distance_m=None)) for s in sources]
    result = sort_frames(sources, lambda s: read_preview(s, min_long_side_px=800)[0])
    assert sorted((g.kind, len(g.shots)) for g in result.groups) == [
        ("focus bracket", len(list(fixtures.glob("landscape/*.jpg")))),
        ("focus bracket", len(list(fixtures.glob("macro/*.jpg")))),
    ]


# -- files, pairs, order ------------------------------------------------------------------


def test_a_raw_file_leads_its_pair():
    shots = pair_files([source("a/F_1.jpg"), source("a/F_1.dng", "raw"), source("a/F_2.jpg")])
    assert [[f.name for f in s.files] for s in shots] == [["F_1.dng", "F_1.jpg"], ["F_2.jpg"]]


def test_one_name_in_two_folders_is_two_shots():
    assert len(pair_files([source("a/F_1.jpg"), source("b/F_1.dng", "raw")])) == 2


@pytest.mark.parametrize("numbers", [(9997, 9998, 9999, 1, 2, 3), (3, 4, 9000, 9001)])
def test_a_counter_that_wraps_is_unrolled_without_times_and_no_other(numbers):
    names = [f"F_{n:04d}.jpg" for n in numbers]
    shots = [Shot(source(n)) for n in sorted(names, reverse=len(numbers) == 4)]
    assert [s.source.name for s in in_shooting_order(shots)] == names


@pytest.mark.parametrize(
    ("name", "parts"),
    [("DSC00012.ARW", ("DSC", 12)), ("_X_0042.NEF", ("_X_", 42)), ("near.jpg", ("near", None))],
)
def test_name_parts(name, parts):
    assert name_parts(Path(name)) == parts


def second(n: int, **more) -> dt.datetime:
    return dt.datetime(2024, 5, 17, 6, 30, 2 * n) + dt.timedelta(**more)


@pytest.mark.parametrize(
    ("off", "wrong"),
    [
        ({3: {"days": -400}}, {3}),
        ({3: {"hours": 1}}, {3}),
        ({3: {"hours": -1}, 4: {"hours": -1}}, {3, 4}),
        ({8: {"days": 400}}, {8}),
        # A clock that was set anew, a frame that was named anew: the counter disproves nothing.
        ({n: {"hours": -3} for n in range(5, 12)}, set()),
        ({3: {"seconds": 30}}, set()),
        ({0: {"days": -400}}, set()),
    ],
)
def test_a_time_that_the_counter_disproves_counts_as_unknown(off, wrong):
    """A counter of four digits that goes over its end, and bodies that share a folder."""
    names = [f"F_{(9994 + n) % 9999 + 1:04d}.jpg" for n in range(12)]
    card = [source(name, at=second(n, **off.get(n, {}))) for n, name in enumerate(names)]
    other = [source(f"F_{5000 + n}.jpg", at=second(n)) for n in range(12)]
    files, remarks = without_wrong_times([*card, *other])
    assert {f.name for f in files if f.settings.captured_at is None} == {names[n] for n in wrong}
    assert {path.name for path in remarks} == {names[n] for n in wrong}
    if wrong:
        streams = split_cameras(pair_files(files))
        assert [len(stream) for stream in streams] == [12, 12]
        assert names in [[shot.source.name for shot in stream] for stream in streams]


@pytest.mark.parametrize(("hole", "wrong"), [(9, {"F_0003.jpg"}), (10, set())])
def test_a_few_deleted_files_beside_a_wrong_time_do_not_hide_it(hole, wrong):
    numbers = [1, 2, 3, *range(4 + hole, 9 + hole)]
    card = [source(f"F_{n:04d}.jpg", at=second(n)) for n in numbers]
    card[2] = source("F_0003.jpg", at=second(3, hours=5))
    files, _ = without_wrong_times(card)
    assert {f.name for f in files if f.settings.captured_at is None} == wrong


def test_settings_that_change_are_not_said_to_be_the_same():
    shots = [
        Shot(source(f"F_{n}.jpg", f_number=8.0, exposure_time_s=t))
        for n, t in enumerate((1 / 60, 1 / 30, 1 / 60))
    ]
    assert reasons.common_settings(shots) == "all at f/8, 1/60 s to 1/30 s"
    assert reasons.common_settings(shots[::2]) == "all at f/8, 1/60 s"
    assert reasons.common_settings([Shot(source("a.jpg"))]) == "settings not recorded"


def test_a_wrong_time_does_not_part_a_raw_file_from_its_jpeg():
    names = [f"F_{n:04d}" for n in range(1, 8)]
    raw = [source(f"{name}.dng", "raw", at=second(n)) for n, name in enumerate(names)]
    jpeg = [source(f"{name}.jpg", at=second(n)) for n, name in enumerate(names)]
    jpeg[3] = source("F_0004.jpg", at=second(3, days=-90))
    files, _ = without_wrong_times([*raw, *jpeg])
    assert [len(shot.files) for shot in pair_files(files)] == [2] * 7


def test_a_bracket_with_a_wrong_time_in_it_stays_whole_and_tells_it(tmp_path, day):
    card = copied(day, tmp_path / "card", BRACKET)
    names = sorted(path.name for path in card.iterdir())
    odd = card / names[2]
    content = odd.read_bytes()
    assert content.count(b"2024:05:17") > 0
    odd.write_bytes(content.replace(b"2024:05:17", b"2023:02:03"))
    result = sort_folder(card)
    assert [(g.kind, len(g.shots)) for g in result.groups] == [("focus bracket", 6)]
    assert [s.source.name for s in result.groups[0].shots] == names
    assert f"{odd.name}: its time, 2023-02-03" in sort_text(result)


# -- JSON and folders ---------------------------------------------------------------------


def test_groups_are_not_placed_among_the_files_themselves(tmp_path, day):
    """The record there would make the next look through the card pass over all of it."""
    card = copied(day, tmp_path / "card")
    result = CliRunner().invoke(command, [str(card), "--into", f"{card}/."])
    assert result.exit_code == 1
    assert "holds the files that are sorted" in result.stderr
    assert {p.suffix for p in card.iterdir()} == {".JPG"}


@pytest.mark.parametrize("placement", ["soft-link", "copy"])
def test_a_second_day_goes_into_the_same_folder(tmp_path, day, placement):
    """Names start anew on a new card: nothing collides, the record holds both days."""
    into = tmp_path / "sorted"
    for number, which in ((1, BRACKET), (2, slice(11, 23))):
        card = copied(day, tmp_path / f"card{number}", which)
        for i, path in enumerate(sorted(card.iterdir())):
            path.rename(card / f"IMG_{i + 1:04d}.JPG")
        run = CliRunner().invoke(command, [str(card), "--into", str(into), "--with", placement])
        assert run.exit_code == 0, run.stderr
    again = load_groups(into)
    assert len(files_of(again)) == 18
    assert all(into in path.parents for path in files_of(again))
    names = [g.name for g in name_groups(again.groups, folders=True) if g.group.kind != "single"]
    folders = [p.name for p in into.iterdir() if p.is_dir() and p.name != "singles"]
    assert sorted(folders) == sorted(names)


def test_placed_folders_can_be_moved(tmp_path, day):
    card = copied(day, tmp_path / "card")
    run = CliRunner().invoke(command, [str(card), "--into", str(tmp_path / "a"), "--with", "copy"])
    assert run.exit_code == 0
    shutil.rmtree(card)
    (tmp_path / "a").rename(tmp_path / "b")
    assert len(files_of(load_groups(tmp_path / "b"))) == 12


def test_with_needs_into(day):
    run = CliRunner().invoke(command, [str(day[0]), "--with", "copy"])
    assert run.exit_code == 2
    assert "add --into" in run.stderr


def test_json_holds_every_file_and_comes_back(day, sorted_day, tmp_path):
    folder, _ = day
    record = tmp_path / "groups.json"
    record.write_text(json.dumps(to_record(sorted_day, folder)), encoding="utf-8")
    data = json.loads(record.read_text(encoding="utf-8"))
    assert data["version"] == 1
    again = load_groups(record)
    assert found_groups(again) == found_groups(sorted_day)
    assert [g.reason for g in again.groups] == [g.reason for g in sorted_day.groups]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "no JSON"),
        ('{"format": "else"}', "JSON of another kind"),
        ('{"format": "depthweld sorted frames", "version": 99}', "version 99, expected 1"),
        ('{"format": "depthweld sorted frames", "version": 1, "groups": 3}', "another kind"),
    ],
)
def test_a_foreign_json_is_refused(tmp_path, text, words):
    record = tmp_path / "groups.json"
    record.write_text(text)
    with pytest.raises(ReadError, match=words):
        load_groups(record)


@pytest.mark.parametrize("placement", ["soft link", "hard link", "copy"])
def test_folders_hold_every_file_and_sources_stay(tmp_path, day, sorted_day, placement):
    folder, _ = day
    before = contents(folder)
    _, made = place_groups(sorted_day, tmp_path / "out", placement)
    assert len(made) == len(set(made)) == len(before)
    assert sorted(p.read_bytes() for p in made) == sorted(b for b, _ in before.values())
    assert all(p.is_symlink() == (placement == "soft link") for p in made)
    inodes = {p.stat().st_ino for p in before}
    assert all((p.stat().st_ino in inodes) == (placement != "copy") for p in made)
    assert contents(folder) == before
    brackets = [g for g in sorted_day.groups if g.kind != "single"]
    assert len(list((tmp_path / "out").iterdir())) == len(brackets) + 1


@pytest.mark.parametrize("placement", ["soft link", "hard link", "copy"])
def test_nothing_is_replaced(tmp_path, sorted_day, placement):
    named = next(n for n in reversed(name_groups(sorted_day.groups)) if n.group.kind != "single")
    shot = named.group.shots[-1].source
    taken = tmp_path / named.name / shot.name
    taken.parent.mkdir()
    taken.write_text("mine")
    with pytest.raises(WriteError, match=f"{shot.name}: exists already"):
        place_groups(sorted_day, tmp_path, placement)
    assert taken.read_text() == "mine"
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [taken]


@pytest.mark.parametrize("ended_by", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("at", ["copy", "record"])
def test_what_ends_placing_leaves_nothing_and_it_can_be_done_again(
    tmp_path, sorted_day, monkeypatch, ended_by, at
):
    """A disk that fills up at the tenth copy, or at the record; Ctrl-C there."""
    left = 10

    def take(*arguments, **options):
        nonlocal left
        left -= 1
        if at == "record" or not left:
            raise ended_by
        return whole(*arguments, **options)

    name = "merge.sort.folders.copy_file" if at == "copy" else "merge.pipeline.sorting.write_json"
    whole = copy_file
    monkeypatch.setattr(name, take)
    target = tmp_path / "sorted"
    with pytest.raises((OSError, WriteError, KeyboardInterrupt)):
        place_sorted(sorted_day, target, "copy")
    assert list(target.rglob("*")) == []
    monkeypatch.undo()
    assert len(place_sorted(sorted_day, target, "copy")) == len(files_of(sorted_day))


@pytest.mark.parametrize(
    ("number", "advice"), [(18, "Try copies instead"), (1, "Try copies"), (13, "Check space")]
)
def test_a_link_that_the_system_refuses_says_what_helps(
    tmp_path, sorted_day, monkeypatch, number, advice
):
    """EXDEV: another disk; EPERM: no links there (link(2)); EACCES: no permission."""

    def refuse(source, made):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "link", refuse)
    with pytest.raises(WriteError, match=f"no hard link of .*{advice}"):
        place_groups(sorted_day, tmp_path / "out", "hard link")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(WriteError, match="a file, expected a folder"):
        place_groups(sorted_day, tmp_path / "file", "copy")


def test_placed_folders_are_left_out_of_the_next_sort(tmp_path, day):
    card = copied(day, tmp_path / "card")
    run = CliRunner().invoke(command, [str(card), "--into", str(card / "sorted")])
    assert run.exit_code == 0
    assert len(files_of(sort_folder(card))) == 12
    assert len(files_of(load_groups(card / "sorted"))) == 12


def test_own_results_and_copies_in_any_folder_are_left_out_and_named(tmp_path):
    bracket = write_demo(tmp_path / "demo", frames=4, shape=(160, 240))
    first = bracket.frames[0]
    copy = first.with_name(f"{first.stem} (1){first.suffix}")
    copy.write_bytes(first.read_bytes())
    result = sort_folder(tmp_path)
    assert sorted(files_of(result)) == sorted(bracket.frames)
    assert result.skipped == (
        f"{copy.relative_to(tmp_path)}: a copy of {first.name}",
        f"{Path('demo', 'truth', 'truth.png')}: an earlier result, not a frame",
    )
    assert sort_folder(tmp_path / "demo" / "truth").groups == ()


def test_a_bracket_in_which_the_camera_mistook_how_it_is_held_stays_whole(tmp_path):
    """Cameras that point down do (common practice, no source); see CIPA DC-008, tag 274."""
    bracket = write_demo(tmp_path / "demo", frames=6, shape=(160, 240))
    for path in bracket.frames[2:4]:
        with Image.open(path) as picture:
            exif = picture.getexif()
            exif[274] = 8
            picture.save(path, quality="keep", exif=exif)
    (group,) = sort_folder(tmp_path / "demo").groups
    assert group.kind == "focus bracket"
    assert len(group.shots) == 6


# -- one job for each group ---------------------------------------------------------------


@pytest.fixture
def few(tmp_path, sorted_day):
    """Give a folder of three brackets and its groups."""
    folder = tmp_path / "few"
    folder.mkdir()
    for named in chosen_groups(sorted_day)[:3]:
        for shot in named.group.shots:
            shutil.copy2(shot.source.path, folder)
    return folder, chosen_groups(sort_folder(folder))


def run(groups, tmp_path, *, fails=(), settings=None):
    worked = []

    def work(named, output):
        worked.append(named.name)
        if named.name in fails:
            raise MergeError(f"{named.name} cannot be merged")
        output.write_text("result")
        return {"frames": len(named.group.shots)}

    summary = run_each(
        groups,
        work,
        record=tmp_path / "finished.json",
        settings=settings or {"method": "auto"},
        output_for=lambda named: tmp_path / f"{named.name}.tif",
    )
    return worked, summary


def test_one_failure_does_not_stop_the_rest(tmp_path, few):
    _, groups = few
    assert len(groups) == 3
    bad = groups[1].name
    worked, summary = run(groups, tmp_path, fails=[bad])
    assert worked == [g.name for g in groups]
    assert [o.status for o in summary.outcomes] == ["done", "failed", "done"]
    assert summary.failed
    assert "cannot be merged" in outcome_line(summary.outcomes[1])
    assert each_line(summary) == "3 groups: 2 done, 0 skipped, 1 failed."


def test_finished_groups_are_skipped_with_their_result(tmp_path, few):
    _, groups = few
    run(groups, tmp_path, fails=[groups[1].name])
    worked, summary = run(groups, tmp_path)
    assert worked == [groups[1].name]
    assert [o.status for o in summary.outcomes] == ["skipped", "done", "skipped"]
    assert summary.outcomes[0].result == {"frames": len(groups[0].group.shots)}
    assert run(groups, tmp_path)[0] == []


def test_changed_settings_frames_or_output_are_worked_on_again(tmp_path, few):
    _, groups = few
    run(groups, tmp_path)
    assert len(run(groups, tmp_path, settings={"method": "detail"})[0]) == 3
    run(groups, tmp_path)
    frame = groups[0].group.shots[2].source.path
    data = bytearray(frame.read_bytes())
    data[-40] ^= 1
    frame.write_bytes(data)
    assert run(groups, tmp_path)[0] == [groups[0].name]
    (tmp_path / f"{groups[2].name}.tif").unlink()
    assert run(groups, tmp_path)[0] == [groups[2].name]


@pytest.mark.slow
def test_a_missing_frame_fails_its_group_only(tmp_path, few):
    _, groups = few
    groups[1].group.shots[0].source.path.unlink()
    _, summary = run(groups, tmp_path)
    assert [o.status for o in summary.outcomes] == ["done", "failed", "done"]
    assert "cannot be read" in summary.outcomes[1].message


def test_a_damaged_record_of_finished_groups_is_refused(tmp_path, few):
    (tmp_path / "finished.json").write_text("{}")
    with pytest.raises(ReadError, match="Move it away"):
        run(few[1], tmp_path)


# -- command ------------------------------------------------------------------------------


def test_the_command_prints_a_table_with_reasons(day, sorted_day):
    result = CliRunner().invoke(command, [str(day[0])])
    assert result.exit_code == 0
    assert result.stdout.strip() == sort_text(sorted_day)
    assert "% sure" in result.stdout
    assert result.stdout.strip().endswith(sum_line(sorted_day))
    assert sum_line(sorted_day).startswith(f"{len(files_of(sorted_day))} files: ")


def test_the_command_prints_json_alone_on_stdout(day, tmp_path):
    result = CliRunner().invoke(command, [str(copied(day, tmp_path / "card")), "--json"])
    data = json.loads(result.stdout)
    assert sum(1 + len(s["companions"]) for g in data["groups"] for s in g["shots"]) == 12


def test_the_command_makes_folders_once(day, tmp_path):
    card = copied(day, tmp_path / "card")
    arguments = [str(card), "--into", str(tmp_path / "out"), "--with", "copy"]
    assert CliRunner().invoke(command, arguments).exit_code == 0
    again = CliRunner().invoke(command, arguments)
    assert again.exit_code == 1
    assert "exists already" in again.stderr
    assert again.stdout == ""


def test_the_command_names_a_missing_folder(tmp_path):
    result = CliRunner().invoke(command, [str(tmp_path / "nowhere")])
    assert result.exit_code == 1
    assert "nowhere: not a folder" in result.stderr


def test_hidden_and_other_files_are_left_alone(tmp_path):
    rng = np.random.default_rng(3)
    pixels = (rng.random((60, 90, 3)) * 255).astype(np.uint8)
    Image.fromarray(pixels).save(tmp_path / "F_0001.jpg")
    (tmp_path / "._F_0001.jpg").write_bytes(b"side note")
    (tmp_path / "notes.txt").write_text("x")
    result = sort_folder(tmp_path)
    assert [p.name for p in files_of(result)] == ["F_0001.jpg"]
    assert result.skipped == ()
    assert os.listdir(tmp_path)
