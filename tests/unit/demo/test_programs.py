"""The programs of the demonstration: found, kept apart from the user's settings, and heard when they fail."""

import os
import stat
import sys
from pathlib import Path

import pytest

from coilbench_service.demo import programs


def stand_in(folder: Path, body: str) -> str:
    path = folder / "coilbench-server"
    path.write_text(f"#!{sys.executable}\nimport os, sys, time\n{body}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_users_settings_do_not_reach_the_demonstration(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_DATABASE_URL", "postgresql://somewhere/precious")
    monkeypatch.setenv("COILBENCH_KEY", "secret")
    settings = programs.surroundings({"COILBENCH_DATA": "here"})
    assert {name for name in settings if name.startswith("COILBENCH_")} == {"COILBENCH_DATA"}
    assert settings["PATH"] == os.environ["PATH"]


def test_address_is_read_from_the_ready_line_and_the_server_is_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = (
        f"open({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid()))\n"
        "print('a line before'); print('coilbench is ready at http://127.0.0.1:4711', flush=True)\ntime.sleep(600)"
    )
    path = stand_in(tmp_path, body)
    monkeypatch.setattr(programs, "program", lambda name: path)
    with programs.server(tmp_path / "data", tmp_path / "log") as address:
        assert address == "http://127.0.0.1:4711"
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_server_that_ends_early_is_reported_with_the_end_of_its_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = stand_in(tmp_path, "print('the port is taken', file=sys.stderr); sys.exit(3)")
    monkeypatch.setattr(programs, "program", lambda name: path)
    with (
        pytest.raises(programs.DemoFailed, match=r"ended before it was ready(.|\n)*the port is taken"),
        programs.server(tmp_path / "data", tmp_path / "log"),
    ):
        pass


def test_server_that_never_gets_ready_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = stand_in(tmp_path, "time.sleep(600)")
    monkeypatch.setattr(programs, "program", lambda name: path)
    monkeypatch.setattr(programs, "READY_WITHIN_S", 0.2)
    with (
        pytest.raises(programs.DemoFailed, match="not ready within"),
        programs.server(tmp_path / "data", tmp_path / "log"),
    ):
        pass


def test_program_that_is_not_installed_says_what_to_install() -> None:
    with pytest.raises(programs.DemoFailed, match="pip install"):
        programs.program("coilbench-of-nowhere")


def test_a_path_is_shown_as_it_is_typed_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert programs.typed(tmp_path / "demo" / "table.xlsx") == "demo/table.xlsx"
    assert programs.typed("demo") == "./demo"
    assert programs.typed(tmp_path / "two words" / "x") == "'two words/x'"
    assert programs.typed(tmp_path.parent / "elsewhere") == str(tmp_path.parent / "elsewhere")


def test_a_program_is_shown_by_name_only_where_the_search_path_leads_to_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = stand_in(tmp_path, "")
    monkeypatch.setattr(programs.sys, "executable", str(tmp_path / "python"))
    monkeypatch.chdir(tmp_path.parent)
    monkeypatch.setenv("PATH", str(tmp_path.parent))
    assert programs.typed_program("coilbench-server") == f"{tmp_path.name}/coilbench-server"
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{tmp_path.parent}")
    assert programs.typed_program("coilbench-server") == "coilbench-server"
    monkeypatch.setenv("PATH", str(tmp_path.parent))
    monkeypatch.chdir("/")
    assert Path(programs.typed_program("coilbench-server")).resolve() == Path(path)
