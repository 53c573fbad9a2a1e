"""Put single faults into a copy of the tree, one at a time, and see that the tests named for them notice.

``python tests/faults/run.py [--part K/N] [WORD ...]`` takes the faults of faults.toml, the K-th of N parts of them, or
those in whose file or text a word stands. It ends with an error where a fault passes unseen, where the text that it
would change stands no more, or not once, or where the test that failed fails without it, too. Run by hand: it takes
some seconds a fault.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
import traceback
from compileall import compile_dir
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from py_compile import PycInvalidationMode

import pytest

ROOT = Path(__file__).resolve().parents[2]
NEEDED = 0.95  # the share of faults that have to be noticed
_BROKEN = 70
#: What takes long to load and is not under test.
HEAVY = ("cv2", "numpy", "onnxruntime", "pandas", "pydantic", "scipy.optimize", "skimage", "sqlalchemy")


@dataclass(frozen=True, slots=True)
class Fault:
    """In ``file`` the text ``old``, which stands there once, becomes ``new``; ``tests`` have to notice."""

    file: str
    old: str
    new: str
    tests: tuple[str, ...]

    @property
    def name(self) -> str:
        """For a person to know it by."""
        return f"{self.file}: {' '.join(self.old.split())[:70]}"


def read(words: list[str], part: str = "1/1") -> list[Fault]:
    """A part of the faults of the list, or of those that one of ``words`` stands in."""
    nth, of = (int(number) for number in part.split("/"))
    given = tomllib.loads((Path(__file__).parent / "faults.toml").read_text("utf-8"))["fault"]
    faults = [Fault(one["file"], one["old"], one["new"], tuple(one["tests"])) for one in given]
    wanted = [one for one in faults if not words or any(word in one.file or word in one.old for word in words)]
    return wanted[nth - 1 :: of]


def copy_to(folder: Path) -> Path:
    """A copy of the tree as git knows it, with what lies beside it."""
    tree = folder / "tree"
    said = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True).stdout.decode()
    for name in filter(None, said.split("\0")):
        if (ROOT / name).is_file():
            (tree / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, tree / name)
    if (ROOT.parent / "shared").exists():
        (folder / "shared").symlink_to(ROOT.parent / "shared")
    for source in ("inspect", "app"):  # known by their content: a fault changes neither size nor second, perhaps
        compile_dir(tree / source, quiet=1, invalidation_mode=PycInvalidationMode.CHECKED_HASH)
    return tree


def passes(tree: Path, tests: list[str], *, sound: bool = False) -> tuple[bool, str]:
    """Whether the tests pass in a tree, and their last line: in a fork, so that libraries are loaded only once. What is
    compiled in a ``sound`` tree is kept for later."""
    with tempfile.TemporaryFile() as out:
        child = os.fork()
        if child == 0:
            os.dup2(out.fileno(), 1)
            os.dup2(out.fileno(), 2)
            os.chdir(tree)
            sys.path[:] = [str(tree / "inspect"), str(tree / "app"), *(p for p in sys.path if not _ours(p))]
            sys.dont_write_bytecode = not sound
            code = _BROKEN
            try:
                code = int(pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests]))
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stdout.flush()
                os._exit(code)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        out.seek(0)
        lines = out.read().decode("utf-8", "replace").strip().splitlines()
    if code not in (0, 1, 2):  # pytest's own: passed, failed, not even collected
        raise SystemExit("The tests could not be run:\n" + "\n".join(lines[-20:]))
    failed = next((line for line in lines if line.startswith(("FAILED", "ERROR"))), lines[-1] if lines else "")
    return code == 0, failed


def test_in(line: str) -> str:
    """The test, or the file that could not be collected, of pytest's line on a failure."""
    return line.split(" ", 1)[-1].split(" - ", 1)[0]


def _ours(path: str) -> bool:
    """Whether a place to import from lies in the tree that is copied."""
    return Path(path).resolve().is_relative_to(ROOT) and "site-packages" not in path


def main() -> int:
    """Try the faults; the number of those that were not noticed or could not be put in, at most 1."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--part", default="1/1", metavar="K/N")
    words.add_argument("words", nargs="*", metavar="WORD")
    said = words.parse_args()
    faults, began = read(said.words, said.part), time.monotonic()
    for library in HEAVY:
        import_module(library)
    unseen, stale = 0, 0
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_to(Path(folder))
        sure: set[str] = set()
        for fault in faults:
            file = tree / fault.file
            text = file.read_text("utf-8") if file.exists() else ""
            if text.count(fault.old) != 1:
                stale += 1
                print(f"STALE    {fault.name} (stands there {text.count(fault.old)} times)", flush=True)
                continue
            file.write_text(text.replace(fault.old, fault.new), "utf-8")
            sound, last = passes(tree, list(fault.tests))
            file.write_text(text, "utf-8")
            unseen += sound
            by = test_in(last)
            if not sound and by.startswith("tests/") and by not in sure and not passes(tree, [by], sound=True)[0]:
                raise SystemExit(f"{by} fails without a fault, too: {fault.name}")
            sure.add(by)
            print(f"{'UNSEEN  ' if sound else 'noticed '} {fault.name} | {last[:150]}", flush=True)
    tried = len(faults) - stale
    took = time.monotonic() - began
    print(f"{tried - unseen} of {tried} noticed, {stale} whose text is gone, {took:.0f} s")
    return int(stale > 0 or tried - unseen < NEEDED * tried)


if __name__ == "__main__":
    sys.exit(main())
