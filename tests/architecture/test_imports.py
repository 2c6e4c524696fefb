"""The import contracts hold, and each of them would notice what it is there to notice."""

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
APPS = ("fleet", "inventory", "readiness")
DOORS = ("views", "urls", "admin", "tasks", "api")

APP_ORDER = "Apps: what is computed last may know what comes before it, never the other way"
INSIDE = "Inside an app: doors, shapes, writes, reads, rights, rows, rules"
PURE = "Rules and helpers know neither Django nor Celery"
ROOT_ONLY = "Nobody imports the composition root"
FLEET_DOORS = "Upper apps stay out of a lower app's doors"
STORES_DOORS = "Upper apps stay out of the stores' doors"

# (file, line added to it, contract that must break)
PLANTED = [
    ("fleet/services/planted.py", "import inventory.models", APP_ORDER),
    ("inventory/domain/planted.py", "import readiness.domain", APP_ORDER),
    ("fleet/selectors/planted.py", "import fleet.services.jobs", INSIDE),
    ("fleet/services/planted.py", "import fleet.tasks", INSIDE),
    ("fleet/lib/planted.py", "import fleet.domain", INSIDE),
    ("fleet/domain/planted.py", "import django.utils.timezone", PURE),
    ("readiness/domain/planted.py", "import celery", PURE),
    ("fleet/lib/planted.py", "import fleet.models", PURE),
    ("readiness/planted.py", "import fleet.project.settings", ROOT_ONLY),
    ("readiness/planted.py", "import fleet.tasks", FLEET_DOORS),
    ("inventory/planted.py", "import fleet.views.site", FLEET_DOORS),
    ("readiness/planted.py", "import inventory.urls", STORES_DOORS),
]


def lint_imports(folder: Path) -> tuple[int, str]:
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The code alone, where a violation can be planted."""
    folder = tmp_path_factory.mktemp("contracts")
    for app in APPS:
        ignored = shutil.ignore_patterns("__pycache__", "static", "migrations")
        shutil.copytree(ROOT / app, folder / app, ignore=ignored)
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def test_all_contracts_hold() -> None:
    code, printed = lint_imports(ROOT)
    assert code == 0, printed


@pytest.mark.parametrize(("file", "line", "contract"), PLANTED)
def test_a_planted_violation_breaks_its_contract(copy: Path, file: str, line: str, contract: str) -> None:
    target = copy / file
    assert not target.exists()
    target.write_text(line + "\n", encoding="utf-8")
    try:
        code, printed = lint_imports(copy)
    finally:
        target.unlink()
    assert code == 1, printed
    assert f"{contract} BROKEN" in printed, printed


def test_the_contracts_name_every_door_there_is() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    barred = {name for contract in contracts for name in contract.get("forbidden_modules", [])}
    doors = {
        f"{app}.{door}"
        for app in APPS[:-1]
        for door in DOORS
        if (ROOT / app / f"{door}.py").exists() or (ROOT / app / door / "__init__.py").exists()
    }
    assert doors <= barred, f"add to pyproject.toml: {sorted(doors - barred)}"


def test_rules_and_helpers_load_without_django() -> None:
    """What the contract says of the text, seen at run time: importing every rule module loads no Django."""
    modules = sorted(
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for folder in ("fleet/lib", *(f"{app}/domain" for app in APPS))
        for path in (ROOT / folder).rglob("*.py")
        if path.name != "__init__.py"
    )
    assert modules
    program = (
        "import importlib, sys\n"
        f"for name in {modules!r}: importlib.import_module(name)\n"
        "print(sorted(m for m in sys.modules if m.partition('.')[0] in {'django', 'celery', 'kombu'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
