"""Set up and run, with nothing but Python: `python3 tools/start.py demo` or `... test`.

Makes .venv in the checkout and installs the project into it, once and again whenever pyproject.toml
changes. Any other words go to the command line: `python3 tools/start.py measure FOLDER`.
"""

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
STAMP = VENV / "installed-from"
CHECKS = (("ruff", "check"), ("mypy",), ("pytest", "-q", "-n", "2", "--dist", "loadfile"))
UNAVAILABLE = 69  # sysexits.h's EX_UNAVAILABLE: no decision, and not one of the command line's own
USAGE = (
    "python3 tools/start.py demo | test | measure FOLDER | ... (any plumbsight command)\n"
    "  demo   measure the demo photos\n"
    "  test   style, types and tests"
)


def main() -> int:
    """Set up if needed, then run what the words ask for; its exit status."""
    words = sys.argv[1:]
    if not words or words[0] in ("-h", "--help"):
        print(USAGE)
        return 0 if words else 64
    if sys.version_info < (3, 11):  # noqa: UP036 - this file runs before anything checked the version
        print(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}.", file=sys.stderr)
        return UNAVAILABLE
    status = set_up(for_tests=words[0] == "test")
    if status:
        return status
    if words[0] == "test":
        return run_checks(words[1:])
    if words == ["demo"]:
        words = ["demo", str(ROOT / "out" / "demo")]
    return run("-m", "tools.cli", *words)


def set_up(for_tests: bool) -> int:
    """Make the environment and install into it, unless that was done for this very pyproject.toml."""
    project = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    installed = STAMP.read_text(encoding="utf-8").split() if PYTHON.is_file() and STAMP.is_file() else []
    if installed == [project, "tests"] or (installed == [project] and not for_tests):
        return 0
    print("Setting up .venv: this takes a minute or two, once.", file=sys.stderr, flush=True)
    try:
        venv.create(VENV, with_pip=True, symlinks=os.name != "nt")  # mends a half-made one too
    except (subprocess.CalledProcessError, OSError) as wrong:
        print(f"{VENV} could not be made: {wrong}", file=sys.stderr)
        print("On Debian, install the package python3-venv and try again.", file=sys.stderr)
        return UNAVAILABLE
    what = ".[test]" if for_tests else "."
    status = run("-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--editable", what)
    if status:
        print("The installation failed: see above. Is there a network?", file=sys.stderr)
        return UNAVAILABLE
    STAMP.write_text(f"{project} tests" if for_tests else project, encoding="utf-8")
    return 0


def run_checks(more: list[str]) -> int:
    """Style, types and tests, all of them even if one fails; further words go to pytest."""
    failed = [name for name, *words in CHECKS if run("-m", name, *words, *(more if name == "pytest" else ()))]
    print(f"Failed: {', '.join(failed)}." if failed else "All checks passed.", file=sys.stderr)
    return 1 if failed else 0


def run(*words: str) -> int:
    """Run the environment's Python in the checkout; its exit status.

    Relative paths among the words count from where the person stands, so only pip and the checks, which
    have none, are run from the checkout.
    """
    is_ours = words[1] == "tools.cli"
    # One thread for linear algebra: the tests' two processes would only wait for each other's threads.
    threads = {name: os.environ.get(name, "1") for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")}
    environment = {**os.environ, **threads, **({"PYTHONPATH": str(ROOT)} if is_ours else {})}
    try:
        return subprocess.run([PYTHON, *words], cwd=None if is_ours else ROOT, env=environment).returncode
    except KeyboardInterrupt:
        return 130  # the command has said so already


if __name__ == "__main__":
    sys.exit(main())
