"""What the project gives to others' machines: hosted checks, hooks, forms and citation say what is so."""

import importlib.util
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

ROOT = Path(__file__).parents[2]
YAML = [
    path
    for pattern in (".github/**/*.yml", ".pre-commit-config.yaml", "CITATION.cff")
    for path in sorted(ROOT.glob(pattern))
]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

FORM = {
    "type": "object",
    "required": ["name", "description", "body"],
    "additionalProperties": False,
    "properties": {
        "name": {"type": "string"},
        "description": {"type": "string"},
        "labels": {"type": "array", "items": {"type": "string"}},
        "body": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["type", "attributes"],
                "properties": {"type": {"enum": ["markdown", "textarea", "input", "dropdown", "checkboxes"]}},
            },
        },
    },
}
"""The keys of a form for issues, from memory of its published syntax."""


def read(path: str) -> Any:
    return yaml.safe_load((ROOT / path).read_text(encoding="utf-8"))


def steps() -> Any:
    spec = importlib.util.spec_from_file_location("steps", ROOT / ".ci" / "steps.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("path", YAML, ids=lambda path: path.name)
def test_every_file_is_yaml_without_a_key_twice(path: Path) -> None:
    class Strict(yaml.SafeLoader):
        """Takes no key twice, as YAML 1.2.2, 3.2.1.1 has it."""

        def construct_mapping(self, node: Any, deep: bool = False) -> Any:
            keys = [self.construct_object(key) for key, _ in node.value]
            assert len(keys) == len(set(keys)), keys
            return super().construct_mapping(node, deep)

    assert yaml.load(path.read_text(encoding="utf-8"), Strict)


def test_the_workflow_runs_every_python_of_the_classifiers_on_three_systems() -> None:
    matrix = read(".github/workflows/checks.yml")["jobs"]["checks"]["strategy"]["matrix"]
    versions = [re.fullmatch(r"Programming Language :: Python :: (\d+\.\d+)", one) for one in PROJECT["classifiers"]]
    assert matrix["python"] == [one[1] for one in versions if one is not None]
    assert PROJECT["requires-python"] == f">={matrix['python'][0]}"
    assert [system.split("-")[0] for system in matrix["system"]] == ["ubuntu", "macos", "windows"]


def test_the_workflow_and_the_script_run_the_same_steps() -> None:
    job = read(".github/workflows/checks.yml")["jobs"]["checks"]
    commands = [step["run"] for step in job["steps"] if "run" in step]
    assert commands == [f"python .ci/steps.py {name}" for name in steps().STEPS]
    assert '"$(dirname "$0")/steps.py"' in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_hooks_are_steps_and_fetch_nothing() -> None:
    (repository,) = read(".pre-commit-config.yaml")["repos"]
    assert repository["repo"] == "local"
    for hook in repository["hooks"]:
        *words, name = hook["entry"].split()
        assert (words, hook["language"]) == (["python", ".ci/steps.py"], "system")
        assert name in steps().STEPS


def test_a_step_that_fails_ends_it_with_its_status(monkeypatch: pytest.MonkeyPatch) -> None:
    module = steps()
    ran: list[list[str]] = []

    def run(words: list[str], **_: object) -> "subprocess.CompletedProcess[str]":
        ran.append(words[2:])
        return subprocess.CompletedProcess(words, 3 if words[2:] == ["mypy"] else 0)

    monkeypatch.setattr(subprocess, "run", run)
    assert module.main(["lint", "types", "tests"]) == 3
    assert ran == [["ruff", "check", "."], ["mypy"]]


def test_a_step_that_does_not_exist_is_refused_in_a_sentence() -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "steps.py"), "deploy"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    steps_there = "install, lint, format, types, docs, tests, package, floors, campaign, speed, emulated, browser"
    assert done.stderr == f"No step is called deploy; there are: {steps_there}.\n"


def test_the_forms_ask_for_what_the_guide_says() -> None:
    forms = sorted((ROOT / ".github" / "ISSUE_TEMPLATE").glob("*.yml"))
    names = [path.stem for path in forms if path.stem != "config"]
    assert names == ["capture-not-read", "feature", "wrong-verdict"]
    for name in names:
        form = read(f".github/ISSUE_TEMPLATE/{name}.yml")
        jsonschema.validate(form, FORM)
        ids = [one["id"] for one in form["body"] if one["type"] != "markdown"]
        assert len(ids) == len(set(ids))
        assert "nonymised" in json.dumps(form)


def test_the_citation_repeats_the_project_file_and_no_version_of_its_own() -> None:
    citation = read("CITATION.cff")
    assert (citation["title"], citation["license"]) == (PROJECT["name"], PROJECT["license"])
    assert [author["name"] for author in citation["authors"]] == [author["name"] for author in PROJECT["authors"]]
    assert "version" not in citation  # pyproject.toml alone has it
