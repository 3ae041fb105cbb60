"""What the import contract cannot say of the apps: how long modules are, who reads them, names of classes."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
APPS = ("inventory", "shop", "forecasting")
LONGEST = 400
# Django and Celery find these by where they are, or by what they are called.
FOUND_BY_NAME = re.compile(
    r"\w+\.(apps|admin|models|migrations\..*)|shop\.config\..*|.*\.(management\.commands|templatetags)\.\w+"
    r"|forecasting\.scheduler\.celery_tasks"
)
# Django looks for an inner class and for a command under these names.
NAMED_BY_DJANGO = {"Meta", "Command"}
DOTTED = re.compile(r"[a-z_]\w*(\.\w+)+")
Modules = Mapping[str, str]


def modules_of_the_apps() -> dict[str, str]:
    """Return the text of each module of the apps, by its dotted name."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path.read_text(
            "utf-8"
        )
        for app in APPS
        for path in sorted((ROOT / app).rglob("*.py"))
    }


@cache
def tree_of(text: str) -> ast.Module:
    """Return a module's syntax tree."""
    return ast.parse(text)


def but_migrations(modules: Modules) -> dict[str, str]:
    """Return the modules without migrations, which stay as they were written."""
    return {name: text for name, text in modules.items() if ".migrations" not in name}


def too_long(modules: Modules) -> dict[str, int]:
    """Return the modules of more lines than one idea takes."""
    lines = {name: text.count("\n") for name, text in but_migrations(modules).items()}
    return {name: count for name, count in lines.items() if count > LONGEST}


def names_read_by(text: str) -> Iterator[str]:
    """Yield the dotted names that a module imports, or writes as a string, as settings and routes do."""
    for node in ast.walk(tree_of(text)):
        match node:
            case ast.Import(names=names):
                yield from (alias.name for alias in names)
            case ast.ImportFrom(module=str(module), names=names):
                yield module
                yield from (f"{module}.{alias.name}" for alias in names)
            case ast.Constant(value=str(value)) if DOTTED.fullmatch(value):
                yield value
                yield value.rpartition(".")[0]


def without_reader(modules: Modules) -> set[str]:
    """Return the modules that no other one of the apps reads, and that nothing finds by name."""
    packages = {name.rpartition(".")[0] for name in modules}
    read = {named for name, text in modules.items() for named in names_read_by(text) if named != name}
    return {
        name
        for name in modules
        if name not in packages and name not in read and not FOUND_BY_NAME.fullmatch(name)
    }


def shared_class_names(modules: Modules) -> dict[str, list[str]]:
    """Return the modules of each class name that two classes have."""
    found: dict[str, list[str]] = defaultdict(list)
    for name, text in but_migrations(modules).items():
        for node in ast.walk(tree_of(text)):
            if isinstance(node, ast.ClassDef) and node.name not in NAMED_BY_DJANGO:
                found[node.name].append(name)
    return {name: where for name, where in found.items() if len(where) > 1}


def readers_of_job_content(modules: Modules) -> set[str]:
    """Return the modules that take out the text which a job's document keeps inside its content."""
    return {
        name
        for name, text in but_migrations(modules).items()
        for node in ast.walk(tree_of(text))
        if isinstance(node, ast.Subscript)
        and isinstance(node.slice, ast.Constant)
        and node.slice.value == "content"
    }


@pytest.fixture(scope="module")
def modules() -> dict[str, str]:
    found = modules_of_the_apps()
    assert {"inventory.ledger", "shop.jobs.close_job", "forecasting.schedule"} <= found.keys()
    return found


def test_a_module_is_short(modules: Modules) -> None:
    assert too_long(modules) == {}


def test_every_module_has_a_reader(modules: Modules) -> None:
    assert without_reader(modules) == set()


def test_a_class_name_means_one_thing(modules: Modules) -> None:
    assert shared_class_names(modules) == {}


def test_one_module_reads_what_a_job_document_keeps_inside(modules: Modules) -> None:
    assert readers_of_job_content(modules) == {"shop.common.job_content"}


def test_what_is_wrong_would_be_found() -> None:
    odd = {
        "shop.a": "class Row:\n    class Meta: ...\n",
        "shop.b": "from shop import a\nclass Row:\n    class Meta: ...\n",
        "shop.c": "import shop.c\n" * (LONGEST + 1),
        "shop.d": 'ROUTES = "shop.b.links"\njson.loads(document.content["content"])\n',
        "shop.web.management.commands.e": "",
    }
    assert too_long(odd) == {"shop.c": LONGEST + 1}
    assert without_reader(odd) == {"shop.c", "shop.d"}
    assert shared_class_names(odd) == {"Row": ["shop.a", "shop.b"]}
    assert readers_of_job_content(odd) == {"shop.d"}
