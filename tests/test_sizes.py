"""A function is read at one look, a file at one sitting."""

from __future__ import annotations

import ast
import io
import tokenize
from pathlib import Path

import pytest

PIPELINE = Path(__file__).parents[1] / "pipeline"
#: Lines of code: without docstring, comments and blank lines.
MOST_LINES_OF_FUNCTION = 60
#: All lines.
MOST_LINES_OF_FILE = 400

FILES = sorted(PIPELINE.rglob("*.py"))


def code_lines(text: str) -> set[int]:
    """The numbers of the lines that hold code."""
    nothing = {
        tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT,
        tokenize.DEDENT, tokenize.ENDMARKER,
    }  # fmt: skip
    return {
        line
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type not in nothing
        for line in range(token.start[0], token.end[0] + 1)
    }


def long_functions(text: str) -> dict[str, int]:
    """Functions with more lines of code than are allowed."""
    code = code_lines(text)
    found = {}
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        lines = set(range(node.lineno, (node.end_lineno or node.lineno) + 1)) & code
        if ast.get_docstring(node, clean=False) is not None:
            said = node.body[0]
            lines -= set(range(said.lineno, (said.end_lineno or said.lineno) + 1))
        if len(lines) > MOST_LINES_OF_FUNCTION:
            found[node.name] = len(lines)
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(PIPELINE).as_posix())
def test_no_file_and_no_function_is_too_long(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES_OF_FILE
    assert long_functions(text) == {}


def test_a_long_function_is_seen() -> None:
    body = "\n".join(f"    x{i} = {i}" for i in range(MOST_LINES_OF_FUNCTION))
    assert long_functions(f"def short():\n    '''Said\n    twice.'''\n\n    # why\n{body}\n") == {
        "short": MOST_LINES_OF_FUNCTION + 1
    }
