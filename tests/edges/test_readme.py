"""The two commands of README.md are the ones that exist."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from landing_analysis.commands.main import main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _marked(name: str) -> str:
    found = re.search(rf"<!-- {name} command -->\n```sh\n(.+?)\n```", README, re.DOTALL)
    assert found, f"README.md no longer marks its {name} command"
    return found[1]


def test_each_command_is_one_line():
    assert "\n" not in _marked("sample")
    assert "\n" not in _marked("test")


def test_the_sample_command_is_understood_by_the_command_line():
    words = shlex.split(_marked("sample").split("&&")[-1])
    assert words[0].endswith("landing-analysis")
    command = main.get_command(None, words[1])
    context = command.make_context(words[1], words[2:], resilient_parsing=False)
    assert [path.name for path in context.params["paths"]] == ["sample_clips"]


@pytest.mark.parametrize("line", re.findall(r"^landing-analysis .+$", README, re.MULTILINE))
def test_every_example_is_understood_by_the_command_line(line):
    words = shlex.split(line)
    command = main.get_command(None, words[1])
    command.make_context(words[1], words[2:])


def test_ci_runs_the_test_command_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    extract = re.search(r"command=\$\((.+)\)\n", script)
    assert extract
    found = subprocess.run(
        ["bash", "-c", extract[1]], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert found.stdout.strip() == _marked("test")
