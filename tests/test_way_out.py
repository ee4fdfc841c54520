"""There is one way out: whatever writes bytes, text, tables or workbooks, or offers a download, passes the gate.

Every function of the product is walked. One that calls a writer must call ``let_out`` on the way, or be in the list of
exceptions, each with its reason. Figures on pages leave through ``Session``, which asks the gate by itself.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("warehouse", "pipelines", "dashboard", "synthetic_data")
WRITERS = {
    *(
        "write_bytes",
        "write_text",
        "write_csv",
        "write_excel",
        "write_parquet",
        "write_json",
        "write_ipc",
        "write_ndjson",
    ),
    *("write_database", "write_delta", "sink_parquet", "sink_csv", "sink_ndjson", "to_csv", "to_parquet", "to_excel"),
    *("to_json", "save", "savefig", "download_button", "Workbook", "ZipFile", "write_table", "write_private"),
    *("write_whole", "fdopen", "copyfile", "copytree", "NamedTemporaryFile", "mkstemp", "dump", "tofile", "writestr"),
}
OPENED_TO_WRITE = set("wax+")

STORE = "keeps the store, its records and its keys in the practice's own folder"
MEMORY = "makes bytes in memory, which whoever asked lets out"
OWN_PAGE = "brings in what a person of the practice uploads, into a folder of the command that is run"
GROUP = "keeps the coordinator's folder: what came in, or what is about no case"
INVENTED = "writes invented cases"

EXCEPTIONS = {
    "warehouse/leaving/gate.py:let_out": "is the gate",
    "warehouse/private_files.py": STORE,
    "warehouse/store/": STORE,
    "warehouse/upkeep/": STORE,
    "warehouse/engine/": "keeps the tables of a build in the practice's own folder, on its own cluster",
    "warehouse/pooled/kept_results.py:keep_result": "keeps a result for pages",
    "pipelines/deidentify/keyer.py": STORE,
    "pipelines/ingest/remembered.py": STORE,
    "pipelines/group/keys.py": "keeps the keys of a group",
    "pipelines/group/folder.py:write_whole": GROUP,
    "pipelines/group/founding.py": GROUP,
    "pipelines/group/taking.py": GROUP,
    "pipelines/group/rounds.py:make_round": "keeps the sheet of a round: keys and names of members, no count",
    "pipelines/commands/draft_mapping.py:run": "prints to the practice's own terminal",
    "pipelines/template/workbook.py:template_workbook": MEMORY,
    "pipelines/commands/worklist.py:run": "asks write_table, which asks the gate",
    "pipelines/commands/characteristics.py:run": "asks write_table, which asks the gate",
    "pipelines/commands/repeats.py:_write_plan": "asks write_table, which asks the gate",
    "pipelines/commands/cases.py:run": "asks write_table, which asks the gate",
    "pipelines/ingest/quarantine.py:_rows_frame": MEMORY,
    "dashboard/report/formats/": MEMORY,
    "dashboard/report/write.py:file_of": MEMORY,
    "dashboard/parts/upload.py": OWN_PAGE,
    "dashboard/access/working.py": "speaks to the process that asked",
    "synthetic_data/": INVENTED,
}


def named(function: ast.expr) -> str:
    return (
        function.attr if isinstance(function, ast.Attribute) else function.id if isinstance(function, ast.Name) else ""
    )


def writes(call: ast.Call) -> bool:
    name = named(call.func)
    modes = [*call.args[:2], *(one.value for one in call.keywords if one.arg == "mode")]
    texts = [one.value for one in modes if isinstance(one, ast.Constant) and isinstance(one.value, str)]
    if name == "open":
        return any(OPENED_TO_WRITE & set(text) for text in texts if len(text) <= 3)
    if name == "ZipFile":
        return any(text in {"w", "a", "x"} for text in texts)
    if name in {"write", "writelines"} and isinstance(call.func, ast.Attribute):
        return ast.unparse(call.func.value) in {"os", "sys.stdout", "sys.stdout.buffer", "stream", "file", "into"}
    if name == "write_text" and isinstance(call.func, ast.Name):
        return False  # that of the commands, which asks the gate
    return name in WRITERS


def bypasses(path: str, source: str) -> Iterator[str]:
    """Each outermost function (or the module itself) that writes and does not ask the gate."""
    tree = ast.parse(source)
    blocks = [
        (one.name, one)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef))
        for one in node.body
        if isinstance(one, (ast.FunctionDef, ast.AsyncFunctionDef))
    ]
    outside = [one for one in tree.body if not isinstance(one, (ast.FunctionDef, ast.ClassDef, ast.AsyncFunctionDef))]
    blocks.append(("the module", ast.Module(body=outside, type_ignores=[])))
    asking = {name for name, block in blocks if any(_is_gate(node) for node in ast.walk(block))}
    gates = {"let_out", *asking}
    for name, block in blocks:
        calls = [node for node in ast.walk(block) if isinstance(node, ast.Call)]
        used = {node.id for node in ast.walk(block) if isinstance(node, ast.Name)}
        asked = any(one in used for one in gates)
        written = sorted({named(call.func) for call in calls if writes(call)})
        if written and not asked and not _excepted(path, name):
            yield f"{path}:{name} ({', '.join(written)})"


def _is_gate(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and named(node.func) == "let_out"


def _excepted(path: str, name: str) -> bool:
    return any(path.startswith(one) if one.endswith("/") else one in {path, f"{path}:{name}"} for one in EXCEPTIONS)


def sources() -> Iterator[tuple[str, str]]:
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            yield path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")


def test_whatever_writes_asks_the_gate() -> None:
    assert [one for path, source in sources() for one in bypasses(path, source)] == []


def test_every_exception_is_needed() -> None:
    """An exception that excuses nothing would let a later bypass through."""
    needed = set()
    for path, source in sources():
        for one in [*EXCEPTIONS]:
            at, _, _ = one.partition(":")
            if path.startswith(one) if one.endswith("/") else path == at:
                kept = EXCEPTIONS.pop(one)
                found = [*bypasses(path, source)]
                EXCEPTIONS[one] = kept
                needed |= {one} if found else set()
    assert sorted(set(EXCEPTIONS) - needed) == []


@pytest.mark.parametrize(
    "bypass",
    [
        "def told(path, frame):\n    path.write_text(frame.write_csv())",
        "def told(path, data):\n    with path.open('wb') as stream:\n        stream.write(data)",
        "def told(frame):\n    st.download_button('Take it along', frame.write_csv)",
        "class Told:\n    def told(self, frame, path):\n        frame.write_excel(path)",
        "def told(chart, path):\n    chart.save(path)",
        "import sys\nsys.stdout.write('7')",
        "def told(data):\n    def inner():\n        os.write(3, data)\n    return inner",
    ],
)
def test_a_bypass_is_found(bypass: str) -> None:
    assert [*bypasses("dashboard/pages/new.py", bypass)] != []
    assert [*bypasses("pipelines/commands/new.py", bypass)] != []


@pytest.mark.parametrize("path", ["dashboard/pages/take_along.py", "pipelines/template/tables_out.py"])
def test_a_writer_that_stops_asking_is_found(path: str) -> None:
    source = (ROOT / path).read_text(encoding="utf-8")
    assert [*bypasses(path, source)] == []
    assert [*bypasses(path, source.replace("let_out(", "handed("))] != []


def test_pages_get_figures_from_their_session_alone() -> None:
    """No page opens the store or a snapshot, and each answer asks who looks."""
    for path, source in sources():
        if path.startswith(("dashboard/pages/", "dashboard/parts/")):
            assert not {"open_snapshot", "open_store"} & {
                named(n.func) for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Call)
            }, path
    tree = ast.parse((ROOT / "dashboard/access/ask.py").read_text(encoding="utf-8"))
    (session,) = [one for one in tree.body if isinstance(one, ast.ClassDef) and one.name == "Session"]
    asked = {"_check_sees_cases", "must_write", "sees_cases", "seen_by_others", "practices_seen"}
    for method in (one for one in session.body if isinstance(one, ast.FunctionDef) and not one.name.startswith("_")):
        names = {
            node.attr if isinstance(node, ast.Attribute) else node.id
            for node in ast.walk(method)
            if isinstance(node, (ast.Attribute, ast.Name))
        }
        assert names & asked or method.name in {"about_methods", "made"}, method.name
