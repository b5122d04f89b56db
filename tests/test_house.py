"""The house rules that a test can see: direction of imports, the engine's imports, top level, locks."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "manage.py",
    "pyproject.toml",
    "docker-compose.yml",
    "Dockerfile",
    "config",
    "requirements",
    "fleet",
    "scheduling",
    "reports",
    "templates",
    "tests",
}
ENGINE_MAY_IMPORT = {"numpy", "scipy", "highspy", "ortools", "psychrolib", "scheduling"}
MAY_NOT_IMPORT = {"fleet": {"scheduling", "reports"}, "scheduling": {"reports"}}


def tracked(pattern: str = "") -> list[Path]:
    listed = subprocess.run(["git", "ls-files", pattern or "."], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        return [path for path in ROOT.rglob("*") if path.is_file() and ".git/" not in str(path)]
    return [ROOT / line for line in listed.stdout.splitlines()]


def imported_modules(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def python_files(folder: str) -> list[Path]:
    files = [path for path in (ROOT / folder).rglob("*.py") if "migrations" not in path.parts]
    assert files, f"{folder} has no code"
    return files


def test_facts_know_nothing_of_decisions_and_decisions_nothing_of_pages():
    for folder, banned in MAY_NOT_IMPORT.items():
        for path in python_files(folder):
            roots = {name.split(".")[0] for name in imported_modules(path)}
            assert not roots & banned, f"{path.relative_to(ROOT)} imports {roots & banned}"


def test_the_engine_imports_only_the_standard_library_and_numeric_libraries():
    for path in python_files("scheduling/engine"):
        for name in imported_modules(path):
            root = name.split(".")[0]
            known = root in ENGINE_MAY_IMPORT or root in sys.stdlib_module_names
            assert known, f"{path.relative_to(ROOT)} imports {name}"
            assert root != "scheduling" or name.startswith("scheduling.engine"), f"{path} imports {name}"


def test_the_engine_runs_where_django_cannot_be_imported():
    modules = sorted(
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for path in python_files("scheduling/engine")
    )
    program = "import sys; sys.modules['django'] = None\n" + "\n".join(f"import {name}" for name in modules)
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_the_engine_asks_neither_for_the_clock_nor_for_global_randomness():
    clock = re.compile(
        r"\b(datetime\.now|date\.today|time\.time\(|np\.random\.(?!Generator|default_rng|SeedSequence))"
    )
    for path in python_files("scheduling/engine"):
        found = clock.search(path.read_text())
        assert found is None, f"{path.relative_to(ROOT)}: {found}"


def test_pages_write_nothing():
    write = re.compile(r"\.(save|delete|bulk_create|bulk_update|update_or_create|get_or_create)\(")
    for path in python_files("reports"):
        found = write.search(path.read_text())
        assert found is None, f"{path.relative_to(ROOT)}: {found}"


def test_the_top_level_holds_only_its_known_names():
    names = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


def test_every_module_says_in_its_first_lines_what_it_is_for():
    for folder in ("config", "fleet", "scheduling", "reports"):
        for path in python_files(folder):
            if path.read_text().strip():
                assert ast.get_docstring(ast.parse(path.read_text())), path.relative_to(ROOT)


def test_no_catch_all_module_names():
    for folder in ("config", "fleet", "scheduling", "reports", "tests"):
        for path in (ROOT / folder).rglob("*.py"):
            assert path.stem not in {"utils", "helpers", "manager", "common"}, path


@pytest.mark.parametrize("lock", ["run.lock", "dev.lock"])
def test_locks_pin_every_package_by_hash_and_name_no_index(lock):
    text = (ROOT / "requirements" / lock).read_text()
    assert not re.search(r"://|--index|--find-links|^-r ", text, re.MULTILINE)
    packages = [line for line in text.splitlines() if line and line[0] not in " #"]
    assert packages
    for line in packages:
        assert re.match(r"[a-z0-9.\-]+(\[[a-z,\-]+\])?==\S+", line), line
    blocks = re.split(r"\n(?=[a-z0-9])", text)
    assert all("--hash=sha256:" in block for block in blocks if "==" in block)


def test_development_lock_holds_the_running_lock():
    def pins(name: str) -> set[str]:
        text = (ROOT / "requirements" / name).read_text()
        return set(re.findall(r"^([a-z0-9.\-]+)(?:\[[a-z,\-]+\])?==", text, re.MULTILINE))

    assert pins("run.lock") <= pins("dev.lock")


def test_settings_file_stays_short():
    assert len((ROOT / "config/settings.py").read_text().splitlines()) < 200
