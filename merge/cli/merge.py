"""``depthweld merge``: a bracket of frames into one picture."""

from __future__ import annotations

import re
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from merge.atomic import check_writable, written_together
from merge.cli.command import (
    Command,
    audit_options,
    each_option,
    exit_code,
    fail_on_option,
    inspection_options,
    keep_loudness,
    page_option,
    prefer_option,
)
from merge.cli.paths import PastedPath, clean_path, pasted_paths, place_in
from merge.cli.progress import Progress, show_progress
from merge.cli.streams import print_json, print_text
from merge.model import BlendMethod, Extent, MergeOptions, MotionModel, Stack

if TYPE_CHECKING:
    from merge.pipeline.saving import OutputFiles, SavedMerge

_DEFAULTS = MergeOptions()
_UNITS = {
    "": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12,
    "kib": 2**10, "mib": 2**20, "gib": 2**30, "tib": 2**40,
}  # fmt: skip
_EXAMPLES = """\b
Examples:
  depthweld merge beetle/ -o beetle.tif
  depthweld merge IMG_01*.tif --method detail --extent reference
  depthweld merge --each sorted.json -o merged/
"""


class _Bytes(click.ParamType):
    """A size with a unit: 800MB, 2GB, 1.5GiB."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        match = re.fullmatch(r"([0-9]*\.?[0-9]+)\s*([a-z]*)", str(value).strip().lower())
        if match is None or match[2] not in _UNITS or float(match[1]) == 0:
            self.fail(f"{value!r}: expected a size such as 800MB or 2GB", param, ctx)
        return int(float(match[1]) * _UNITS[match[2]])


@click.command("merge", cls=Command, epilog=_EXAMPLES)
@click.argument("frames", nargs=-1)
@click.option(
    "-o",
    "--output",
    type=str,
    metavar="PATH",
    help="The merged file: .tif or .png (16 bits) or .jpg, or a folder. Default: a .tif beside "
    "the frames, named after the first and last. With --each a folder, default 'merged'.",
)
@click.option(
    "--method",
    type=click.Choice(get_args(BlendMethod)),
    default=_DEFAULTS.method,
    show_default=True,
    help="detail: sharpest detail at every size, for bristles and "
    "crossing structures. surface: the depth map chooses, clean and faithful on "
    "surfaces. auto: each where it is better.",
)
@click.option(
    "--motion",
    "--align",
    "motion",
    type=click.Choice(get_args(MotionModel)),
    default=_DEFAULTS.motion,
    show_default=True,
    help="Motion allowed between frames. similarity: shift, turn and size; camera: the same by "
    "turning the camera, which bends wide pictures; auto: what the frames bear out.",
)
@click.option(
    "--extent",
    type=click.Choice(get_args(Extent)),
    default=_DEFAULTS.extent,
    show_default=True,
    help="The area that all frames cover, or all of the reference frame.",
)
@click.option(
    "--reference",
    metavar="FRAME",
    help="Frame that the others are aligned to: its number (the first is 1) or file "
    "name. Default: the middle one.",
)
@click.option("--keep-exposure", is_flag=True, help="Leave differences of exposure as they are.")
@click.option(
    "--strict", is_flag=True, help="Fail when a frame cannot be aligned, instead of leaving it out."
)
@prefer_option
@inspection_options
@click.option(
    "--memory",
    type=_Bytes(),
    help="Memory to aim at, e.g. 2GB: what is kept of every frame beyond a part of it goes to "
    "disk.",
)
@click.option(
    "--depth",
    type=PastedPath(),
    help="Write the depth map, 16-bit .tif, and beside it NAME-view.png to look at.",
)
@click.option(
    "--mesh",
    type=PastedPath(),
    metavar="SURFACE.ply",
    help="Write the depth map as a surface with the picture's colours, PLY, for programs that "
    "measure: in mm where pixel pitch and magnification are known, else in pixels and frames.",
)
@click.option(
    "--record",
    type=PastedPath(),
    metavar="RECORD.json",
    help="Write the run's record as JSON: frames with hashes, transforms, settings, "
    "versions, times.",
)
@page_option(
    "Write a page to look at: the picture with its weak parts, a loupe against every frame, "
    "findings, focus steps. One file, needs no network."
)
@click.option(
    "--edits",
    type=PastedPath(),
    help="Apply the changes of 'depthweld review', a JSON file, to the merged picture.",
)
@click.option("--overwrite", is_flag=True, help="Replace existing outputs, never a frame.")
@each_option("Merge")
@fail_on_option
@click.option("--json", "as_json", is_flag=True, help="Print the record instead of the summary.")
@click.option(
    "-q",
    "--quiet",
    is_flag=True,
    callback=keep_loudness,
    help="No progress; print the written names alone.",
)
@click.option(
    "-v",
    "--verbose",
    is_flag=True,
    callback=keep_loudness,
    help="A line for each frame; list everything.",
)
@click.pass_context
def command(ctx: click.Context, frames: tuple[str, ...], each: Path | None, **given: Any) -> None:
    """Merge a focus bracket into one picture that is sharp throughout.

    FRAMES are picture files, folders or patterns: JPEG, PNG, TIFF, HEIF, camera raw. They
    are put in order of capture time, else of file name, and never changed.
    """
    from merge.pipeline.building import build_beside

    build_beside()
    if each is None:
        ctx.exit(_merge_one(frames, given))
    ctx.exit(_merge_each(frames, each, given))


def _merge_one(frames: tuple[str, ...], given: dict[str, Any]) -> int:
    """Merge one bracket and return the exit code."""
    if not frames:
        raise click.UsageError("no frames; name the files or the folder of a focus bracket")
    # Decoders and compilers take long to load; --help and wrong usage need none.
    from merge.edits import read_edits
    from merge.pipeline.saving import OutputFiles, merge_to_files
    from merge.read import find_frames
    from merge.report.merge import merge_text
    from merge.write import default_output

    stack = find_frames(pasted_paths(frames), prefer=given["prefer"])
    picture = default_output(stack)
    if given["output"] is not None:
        picture = place_in(given["output"], picture)
    files = OutputFiles(picture, given["depth"], given["record"], given["overwrite"], given["mesh"])
    _check_report(given["report"], files, stack)
    with show_progress() as progress, written_together():
        saved = merge_to_files(
            stack,
            files,
            _options(given, stack),
            edits=None if given["edits"] is None else read_edits(given["edits"]),
            keep_record=given["as_json"] or given["report"] is not None,
            keep_depth=given["report"] is not None,
            progress=progress,
        )
        if given["report"] is not None:
            _write_report(given["report"], saved, progress)
    if given["as_json"]:
        print_json(saved.record)
    elif given["quiet"]:
        print_text(str(files.picture))
        if given["report"] is not None:
            print_text(str(given["report"]))
    else:
        print_text(merge_text(saved, verbose=given["verbose"]))
        if given["report"] is not None:
            megabytes = given["report"].stat().st_size / 1e6
            print_text(f"Written    {given['report']} (page, {megabytes:.1f} MB)")
    return exit_code((f.severity for f in saved.result.findings), given["fail_on"])


def _check_report(report: Path | None, files: OutputFiles, stack: Stack) -> None:
    """Refuse a page that could not be written, before the merge."""
    if report is None:
        return
    outputs = (files.picture, files.depth, files.record, files.mesh)
    others = [p.absolute() for p in outputs if p is not None]
    if report.absolute() in others:
        raise click.UsageError(f"--report {report}: asked for twice; give each its own name")
    check_writable(report, overwrite=files.overwrite, inputs=stack.inputs)


def _write_report(report: Path, saved: SavedMerge, progress: Progress) -> None:
    from merge.report.page.merge_page import merge_page
    from merge.report.page.shell import write_page

    inputs = saved.result.stack.inputs
    assert saved.record is not None, "a page tells the record"
    page = merge_page(saved.result, saved.record, progress=progress)
    write_page(report, page, overwrite=saved.files.overwrite, inputs=inputs)


def _merge_each(frames: tuple[str, ...], each: Path, given: dict[str, Any]) -> int:
    """Merge every bracket of a sorted day and return the exit code."""
    from merge.cli.each import (
        Telling,
        each_code,
        run_brackets,
        write_bracket_page,
    )
    from merge.pipeline.each import BracketJob
    from merge.pipeline.saving import OutputFiles, merge_to_files
    from merge.report.page.day_page import day_picture
    from merge.report.page.merge_page import merge_page
    from merge.report.sort import outcome_line

    for name in ("depth", "mesh", "record", "reference", "edits"):
        if given[name] is not None:
            raise click.UsageError(f"--{name} is for one bracket; leave it out with --each")
    if frames:
        raise click.UsageError("--each takes the frames of SORTED; leave FRAMES out")
    options, quiet = _options(given, None), given["quiet"]
    folder = None if given["output"] is None else Path(clean_path(given["output"]))
    telling = Telling(
        command="merge",
        line=lambda outcome: str(outcome.output) if quiet else outcome_line(outcome),
        page=given["report"],
        **{name: given[name] for name in ("as_json", "quiet", "overwrite")},
    )

    def work(name: str, stack: Stack, output: Path | None, progress: Progress) -> Any:
        assert output is not None
        files = OutputFiles(output, overwrite=given["overwrite"])
        saved = merge_to_files(
            stack, files, options, keep_record=True, keep_depth=telling.page is not None,
            progress=progress,
        )  # fmt: skip
        assert saved.record is not None
        record = saved.record
        page = partial(merge_page, saved.result, record, progress=progress)
        write_bracket_page(telling, name, page)
        reference = saved.result.stack.sources[saved.result.registration.reference]
        return {"record": record, "picture": day_picture(saved.result.pixels, reference)}

    job = BracketJob("merged", work, asdict(options), given["prefer"], ".tif")
    summary = run_brackets(each, job, folder, telling)
    return each_code(summary, given["fail_on"])


def _options(given: dict[str, Any], stack: Stack | None) -> MergeOptions:
    reference = None
    if given["reference"] is not None and stack is not None:
        reference = _reference_index(given["reference"], stack)
    return MergeOptions(
        method=given["method"],
        motion=given["motion"],
        extent=given["extent"],
        reference=reference,
        equalize_exposure=not given["keep_exposure"],
        strict=given["strict"],
        memory_limit_bytes=given["memory"],
        audit=audit_options(given),
    )


def _reference_index(text: str, stack: Stack) -> int:
    """Return the index of a frame given by path, file name with or without ending, or number."""
    paths = [source.path for source in stack.sources]
    for names in (
        [str(path) for path in paths],
        [path.name for path in paths],
        [path.stem for path in paths],
    ):
        for wanted in (text, Path(text).name):
            if names.count(wanted) == 1:
                return names.index(wanted)
    if text.isdecimal() and 1 <= int(text) <= len(paths):
        return int(text) - 1
    raise click.UsageError(
        f"--reference {text}: no such frame; give a number from 1 to {len(paths)} or one of "
        f"{paths[0].name} … {paths[-1].name}"
    )
