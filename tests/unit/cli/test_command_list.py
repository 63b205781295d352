"""The list of commands: what it says of each is what the command says of itself."""

import subprocess
import sys
from pathlib import Path

import pytest

from capture.cli import commands

FOLDER = Path(commands.__file__).parent


@pytest.mark.parametrize("module", sorted({module for module, _ in commands.COMMANDS.values()}))
def test_a_module_registers_what_is_listed_for_it(module):
    registered = {
        name: command.get_short_help_str(10_000)
        for name, command in commands.built(module).commands.items()
    }
    listed = {name: words for name, (where, words) in commands.COMMANDS.items() if where == module}
    assert registered == listed


def test_no_module_with_commands_is_left_out():
    with_commands = {
        path.stem
        for path in FOLDER.glob("*.py")
        if "def register(app: typer.Typer)" in path.read_text()
    }
    parts_of_others = {"job_acts", "job_watch", "profile_new"}
    assert with_commands - parts_of_others == {module for module, _ in commands.COMMANDS.values()}


def test_the_list_of_commands_imports_none_of_them():
    code = (
        "import sys\n"
        "from capture.cli.main import main\n"
        "sys.argv = ['benchtally', '--help']\n"
        "try:\n"
        "    main()\n"
        "except SystemExit:\n"
        "    pass\n"
        "print(sorted(name for name in sys.modules if name.startswith(('capture.model', 'pydantic', 'rich'))))\n"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_command_that_is_not_there(run):
    code, out, err = run("nosuch", with_config=False)
    assert (code, out) == (2, "")
    assert err == "benchtally: No such command 'nosuch' (see `benchtally --help`)\n"


def test_a_misspelt_command_is_told_which_is_meant(run):
    code, out, err = run("trendd", with_config=False)
    assert (code, out) == (2, "")
    assert err == (
        "benchtally: No such command 'trendd'. Did you mean 'trend'? (see `benchtally --help`)\n"
    )


@pytest.mark.parametrize("group", [[], ["job"], ["journal"], ["outbox"], ["record"], ["machine"]])
def test_no_sentence_of_a_list_of_commands_is_cut(run, group):
    code, out, _ = run(*group, "--help", with_config=False)
    assert code == 0
    assert "..." not in out.partition("Commands:")[2]


def test_a_simulator_complains_under_the_name_that_was_called(run):
    for wrong in (["nosuch"], ["--rate"], ["--nosuch"]):
        code, out, err = run("simulate", *wrong, with_config=False)
        assert (code, out) == (2, "")
        assert err.startswith("benchtally simulate: ")
        assert err.count("\n") == 1


def test_a_wrong_choice_is_told_without_words_of_a_library(run):
    code, _, err = run("export", "reading", with_config=False)
    assert code == 2
    assert err == (
        "benchtally: Invalid value for 'what': 'reading' is not one of 'readings', 'results', "
        "'trends' (see `benchtally export --help`)\n"
    )
