"""One script of the phone's modules: each after what it imports, and nothing lost silently."""

from graphlib import CycleError

import pytest

from shop.phone.app_shell import MODULES, SCRIPT, file_of, version
from shop.phone.script_bundle import joined

STORE = """let kept = 0;
export const put = (n) => (kept = n);
export async function all() {}
export class Full {}
"""


def test_each_module_comes_after_those_that_it_imports() -> None:
    app = 'import * as store from "./store.js";\nimport { put } from "./store.js";\nput(1);\n'
    script = joined({"app": app, "store": STORE})
    assert (
        script
        == """const $store = (() => {
let kept = 0;
const put = (n) => (kept = n);
async function all() {}
class Full {}
return { put, all, Full };
})();
const $app = (() => {
const store = $store;
const { put } = $store;
put(1);
return {  };
})();
"""
    )
    assert joined({"store": STORE, "app": app}) == script


@pytest.mark.parametrize(
    "line",
    [
        "export default 1;",
        "export let kept = 0;",
        "export { put };",
        'import "./store.js";',
        'import { put as keep } from "./store.js";',
    ],
)
def test_what_would_not_work_is_refused_by_name(line: str) -> None:
    with pytest.raises(ValueError, match=r"app\.js has"):
        joined({"app": f"{line}\n", "store": STORE})


def test_modules_that_import_each_other_are_refused() -> None:
    with pytest.raises(CycleError):
        joined({"app": 'import { b } from "./b.js";\n', "b": 'import { a } from "./app.js";\n'})


def test_the_phones_script_has_all_modules() -> None:
    content, media_type = file_of(version(), SCRIPT) or (b"", "")
    assert media_type == "text/javascript"
    for module in MODULES:
        assert content.count(f"const ${module} = ".encode()) == 1
