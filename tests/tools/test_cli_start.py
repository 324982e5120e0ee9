"""The set-up script, and a copy installed from a wheel."""

import subprocess
import sys
import venv
from pathlib import Path

import pytest

from tools import start

ROOT = Path(__file__).parents[2]


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """A checkout of one file; what the script would run is noted instead."""
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    ran: list[tuple[str, ...]] = []
    monkeypatch.setattr(start, "ROOT", tmp_path)
    monkeypatch.setattr(start, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(start, "STAMP", tmp_path / ".venv" / "installed-from")
    monkeypatch.setattr(start, "PYTHON", tmp_path / ".venv" / "bin" / "python")
    monkeypatch.setattr(start, "run", lambda *words: ran.append(words) or 0)

    def create(folder, **_):
        (folder / "bin").mkdir(parents=True, exist_ok=True)
        (folder / "bin" / "python").touch()
        ran.append(("venv",))

    monkeypatch.setattr(start.venv, "create", create)
    return tmp_path, ran


def call(monkeypatch, *words):
    monkeypatch.setattr(sys, "argv", ["start.py", *words])
    return start.main()


def test_it_installs_once_and_again_when_the_project_file_changed(elsewhere, monkeypatch):
    folder, ran = elsewhere
    for _ in range(2):
        assert call(monkeypatch, "schemas") == 0
    assert [words[0] for words in ran] == ["venv", "-m", "-m", "-m"]
    assert ran[1][:3] == ("-m", "pip", "install") and ran[1][-1] == "."
    assert ran[2] == ran[3] == ("-m", "tools.cli", "schemas")
    (folder / "pyproject.toml").write_text("[project]\nname = 'y'\n")
    call(monkeypatch, "schemas")
    assert ("-m", "pip", "install") in [words[:3] for words in ran[4:]]


def test_the_tests_libraries_are_installed_for_the_tests_only(elsewhere, monkeypatch):
    _, ran = elsewhere
    for words in ("schemas", "test", "schemas", "test"):
        call(monkeypatch, words)
    assert [words[-1] for words in ran if words[:2] == ("-m", "pip")] == [".", ".[test]"]


def test_a_failed_installation_is_no_success_and_is_tried_again(elsewhere, monkeypatch, capsys):
    _, ran = elsewhere
    monkeypatch.setattr(start, "run", lambda *words: ran.append(words) or 1)
    for _ in range(2):
        assert call(monkeypatch, "demo") == start.UNAVAILABLE
    assert [words[1] for words in ran if words[0] == "-m"] == ["pip", "pip"]
    assert "network" in capsys.readouterr().err


def test_a_machine_without_venv_is_told_what_to_install(elsewhere, monkeypatch, capsys):
    def create(*_, **__):
        raise subprocess.CalledProcessError(1, "ensurepip")

    monkeypatch.setattr(start.venv, "create", create)
    assert call(monkeypatch, "demo") == start.UNAVAILABLE
    assert "python3-venv" in capsys.readouterr().err


@pytest.mark.parametrize("broken", ["ruff", "mypy", "pytest"])
def test_each_check_can_fail_the_whole_and_all_are_run(elsewhere, monkeypatch, capsys, broken):
    ran = []
    call(monkeypatch, "test")
    monkeypatch.setattr(start, "run", lambda *words: ran.append(words[1]) or int(words[1] == broken))
    assert call(monkeypatch, "test") == 1
    assert ran == ["ruff", "mypy", "pytest"]
    assert f"Failed: {broken}." in capsys.readouterr().err
    monkeypatch.setattr(start, "run", lambda *_: 0)
    assert call(monkeypatch, "test") == 0


def test_without_words_it_tells_its_words(monkeypatch, capsys):
    assert call(monkeypatch) == 64
    assert "demo" in capsys.readouterr().out


def test_continuous_integration_calls_the_readmes_command():
    command = "python3 tools/start.py test"
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert command in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.study
def test_an_installed_copy_measures_its_demo_anywhere(tmp_path):
    """`pip install` of the checkout, tried from another folder: layouts, schemas and demo are inside."""
    venv.create(tmp_path / "venv", with_pip=True)
    scripts = tmp_path / "venv" / ("Scripts" if sys.platform == "win32" else "bin")
    install = [scripts / "python", "-m", "pip", "install", "--quiet", str(ROOT)]
    subprocess.run(install, check=True)
    plumbsight = scripts / "plumbsight"
    done = subprocess.run([plumbsight, "demo"], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0 and "8 of 8 photos used" in done.stdout, done.stderr
    assert (tmp_path / "plumbsight-demo" / "result.json").is_file()
    shown = subprocess.run([plumbsight, "schemas", "kit"], cwd=tmp_path, capture_output=True, text=True)
    assert '"plumbsight.kit/1"' in shown.stdout
    version = subprocess.run([plumbsight, "--version"], cwd=tmp_path, capture_output=True, text=True)
    assert version.stdout.startswith("plumbsight 0.")
