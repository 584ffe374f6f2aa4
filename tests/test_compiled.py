"""Compiled loops run wherever Python does, and come from the cache only when it is whole."""

import os
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_brackets import small_bracket

from merge import merge_stack
from merge.compiled import built_types
from merge.pipeline.building import LATER_MODULES

ROOT = Path(__file__).parents[1]
LOOP = """
import logging
logging.basicConfig(level=logging.INFO, format="%(message)s")
from merge.compiled import njit
from other import OFFSET

@njit(nogil=True)
def add(number):
    return number + OFFSET

print(add(40))
print(sum(add.stats.cache_hits.values()), "from the cache")
"""


@pytest.fixture
def module(tmp_path):
    """Return a module with one compiled loop in a folder of its own."""
    (tmp_path / "other.py").write_text("OFFSET = 2\n")
    path = tmp_path / "loop.py"
    path.write_text(LOOP)
    return path


def run(*args, **environment):
    return subprocess.run(
        [sys.executable, "-B", *args],
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        timeout=120,
    )


def cached(folder):
    return [p for p in folder.rglob("*.nbc")]


@pytest.fixture
def run_here(module, monkeypatch, capsys):
    """Return what runs the module in this process and gives what it prints."""
    monkeypatch.syspath_prepend(module.parent)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)

    def printed():
        sys.modules.pop("other", None)
        runpy.run_path(str(module))
        return capsys.readouterr().out

    yield printed
    sys.modules.pop("other", None)


@pytest.mark.slow
def test_a_loop_is_taken_from_beside_its_module_until_a_number_of_another_changes(module):
    assert "42" in run(module).stdout
    assert len(cached(module.parent)) == 1
    assert "1 from the cache" in run(module).stdout
    (module.parent / "other.py").write_text("OFFSET = 3\n")
    assert run(module).stdout.startswith("43")


@pytest.mark.slow
def test_the_users_cache_folder_serves_where_the_installation_is_not_writable(module, tmp_path):
    (module.parent / "__pycache__").write_text("no folder: nothing can be written beside it")
    home = {"XDG_CACHE_HOME": str(tmp_path / "user"), "LOCALAPPDATA": str(tmp_path / "user")}
    assert "42" in run(module, HOME=str(tmp_path), **home).stdout
    assert len(cached(tmp_path)) == 1
    assert "1 from the cache" in run(module, HOME=str(tmp_path), **home).stdout


def test_a_loop_runs_where_nothing_is_writable_and_says_so_once(module):
    (module.parent / "__pycache__").write_text("no folder")
    home = dict.fromkeys(("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"), os.devnull)
    result = run(module, **home)
    assert result.stdout.startswith("42"), result.stderr
    assert result.stderr.count("cannot be kept") == 1
    assert "Traceback" not in result.stderr


@pytest.mark.slow
def test_a_damaged_cache_file_is_passed_over_and_written_again(module, run_here):
    run_here()
    (kept,) = cached(module.parent)
    whole = kept.read_bytes()
    changed = whole[:200] + bytes([whole[200] ^ 1]) + whole[201:]
    for damaged in (whole[: len(whole) // 2], b"", changed):
        kept.write_bytes(damaged)
        assert run_here() == "42\n0 from the cache\n"
        assert kept.read_bytes()[32:] != damaged[32:]
    assert run_here() == "42\n1 from the cache\n"


def test_a_full_disk_leaves_no_part_of_a_cache_file(module):
    pytest.importorskip("resource", reason="limits of the file size are of POSIX")
    limit = (
        "import resource, signal, runpy; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (512, 512));"
        f"import sys; sys.path.insert(0, {str(module.parent)!r}); runpy.run_path({str(module)!r})"
    )
    result = run("-c", limit)
    assert result.stdout.startswith("42"), result.stderr
    assert "cannot be kept" in result.stderr
    assert [p.name for p in module.parent.glob("__pycache__/*")] == []


def test_the_package_is_imported_where_nothing_is_writable(tmp_path):
    """Stands for an installation by root and a user without a home."""
    skipped = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "merge", tmp_path / "merge", ignore=skipped)
    for folder in [tmp_path / "merge", *(tmp_path / "merge").rglob("*/")]:
        (folder / "__pycache__").write_text("no folder")
    home = dict.fromkeys(("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"), os.devnull)
    code = "import merge.cli.merge, merge.pipeline.merging, merge.pipeline.auditing; print('done')"
    result = run("-c", code, **home, PYTHONPATH=str(tmp_path))
    assert (result.returncode, result.stdout, result.stderr) == (0, "done\n", "")


def test_loops_are_built_for_the_types_that_they_declare():
    """Else the processes that build beside a first merge build what nobody asks for."""
    merge_stack(small_bracket(5)[0])
    built = built_types()
    assert {name.rpartition(".")[0] for name in built} == set(LATER_MODULES)
    assert all(declared in types for declared, types in built.values()), built


@pytest.mark.slow
def test_later_loops_are_built_beside_a_command_that_finds_one_missing(tmp_path):
    code = (
        "import sys, time; from pathlib import Path; import numpy as np;"
        "from merge.pipeline.building import build_beside; from merge.encoding import linearize;"
        "build_beside(); linearize(np.zeros((8, 8, 3), np.float32), 'srgb');"
        "end = time.time() + 90\n"
        # What this process builds itself aside.
        "while all(p.name.startswith('encoding') for p in Path(sys.argv[1]).rglob('*.nbc')):\n"
        "    assert time.time() < end, 'nothing was built'\n"
        "    time.sleep(0.1)"
    )
    result = run("-c", code, str(tmp_path), NUMBA_CACHE_DIR=str(tmp_path))
    assert (result.returncode, result.stderr) == (0, "")


def test_what_another_process_builds_is_waited_for(module, run_here, monkeypatch):
    fcntl = pytest.importorskip("fcntl", reason="locks of POSIX")
    run_here()
    (kept,) = cached(module.parent)
    whole = kept.read_bytes()
    kept.unlink()
    lock = Path(f"{kept}.lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX)

    def finish_there(seconds):
        kept.write_bytes(whole)
        lock.close()

    monkeypatch.setattr("merge.compiled.time.sleep", finish_there)
    assert run_here() == "42\n1 from the cache\n"


def test_what_a_killed_process_was_building_is_built(module, run_here):
    run_here()
    (kept,) = cached(module.parent)
    kept.unlink()
    Path(f"{kept}.lock").touch()
    assert run_here() == "42\n0 from the cache\n"
    assert [p.name for p in kept.parent.iterdir()] == [kept.name]


def test_another_loop_is_built_while_one_is_waited_for(module, run_here, monkeypatch):
    """It ends when nothing is left to build or the one waited for is there."""
    fcntl = pytest.importorskip("fcntl", reason="locks of POSIX")
    declared = LOOP.replace("@njit(nogil=True)", '@njit(nogil=True, takes="i")')
    module.write_text(
        declared.replace(
            "print(add(40))",
            "@njit(takes='f')\ndef double(number):\n    return 2 * number\nprint(add(40))",
        )
        + "print(len(double.signatures), 'more')\n"
    )
    monkeypatch.setattr("merge.compiled._DECLARED", {})
    monkeypatch.setattr("merge.compiled._in_company", True)
    run_here()
    whole = {path: path.read_bytes() for path in cached(module.parent)}
    kept = next(path for path in whole if ".add" in path.name)
    for path in whole:
        path.unlink()
    lock = Path(f"{kept}.lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX)

    def finish_there(seconds):
        kept.write_bytes(whole[kept])
        lock.close()

    monkeypatch.setattr("merge.compiled._DECLARED", {})
    monkeypatch.setattr("merge.compiled.time.sleep", finish_there)
    assert run_here() == "42\n1 from the cache\n1 more\n"


@pytest.mark.slow
def test_what_was_just_built_gives_what_later_runs_give(tmp_path):
    """To the last bit: else a first merge after installation would differ from the next."""
    program = (
        "import hashlib, numpy as np\n"
        "from merge.align.tiles import compare_tiles\n"
        "rng = np.random.default_rng(0)\n"
        "bands = np.cumsum(rng.normal(0, 300, (2, 160, 240)), axis=2).astype(np.int16)\n"
        "corners = np.stack(np.meshgrid(*[np.arange(24, 96, 24)] * 2), -1).reshape(-1, 2)\n"
        "digest = hashlib.sha256()\n"
        "for _ in range(40):\n"
        "    turn, move = rng.normal(0, 3e-4), rng.normal(0, 0.05, 2)\n"
        "    matrix = np.array([[1, turn, move[0]], [-turn, 1, move[1]], [0, 0, 1]])\n"
        "    for found in compare_tiles(bands[0], bands[1], corners, 24, matrix):\n"
        "        digest.update(found.tobytes())\n"
        "print(digest.hexdigest())\n"
    )
    runs = [run("-c", program, NUMBA_CACHE_DIR=str(tmp_path)) for _ in range(2)]
    assert runs[0].stdout == runs[1].stdout
