"""Joins the phone's modules into one script, which loads in one request and packs to two thirds. Pure.

Each module becomes a function that runs once and returns what it exports, after those that it imports. It may
import its neighbours by name, unchanged, or as a whole, and export declarations: nothing else is needed.
"""

import re
from collections.abc import Mapping
from graphlib import TopologicalSorter

IMPORT = re.compile(
    r'^import (?P<what>\* as \w+|\{ \w+(?:, \w+)* \}) from "\./(?P<module>\w+)\.js";\n', re.MULTILINE
)
EXPORT = re.compile(r"^export (?=(?:async )?(?:const|function|class) (?P<name>\w+))", re.MULTILINE)
OTHER = re.compile(r"^(?:import|export)\b.*", re.MULTILINE)


def joined(modules: Mapping[str, str]) -> str:
    """Return the script that does what the modules (text by name) do.

    Raises ValueError for an import or export of another form, CycleError for modules that import each other.
    """
    needs = {name: [found["module"] for found in IMPORT.finditer(text)] for name, text in modules.items()}
    # In the order of their names where either may come first: the same text in every process.
    needs = {name: sorted(set(needs[name])) for name in sorted(needs)}
    return "".join(_as_function(name, modules[name]) for name in TopologicalSorter(needs).static_order())


def _as_function(name: str, text: str) -> str:
    exported = ", ".join(found["name"] for found in EXPORT.finditer(text))
    body = EXPORT.sub("", IMPORT.sub(_as_constant, text))
    if other := OTHER.search(body):
        raise ValueError(f"{name}.js has {other[0]!r}; import and export as the other modules do")
    return f"const ${name} = (() => {{\n{body}return {{ {exported} }};\n}})();\n"


def _as_constant(found: re.Match[str]) -> str:
    what, module = found["what"], found["module"]
    return f"const {what.removeprefix('* as ')} = ${module};\n"
