"""What strangers wrote, on its way out: names of files, words of headers and of other programs.

Whatever is shown passes `one_line`: on the terminal, in errors, logs and mail. A page takes it by
`in_page`, a CSV by `in_table`; both pass it on to `one_line` first.
"""

from __future__ import annotations

import re

#: Characters that print as nothing though they count as printable: fillers, variation selectors,
#: invisible vowels, the blank of braille (Unicode's Default_Ignorable_Code_Point, and U+2800).
_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
#: What a spreadsheet takes for the beginning of a formula, full-width forms among them.
_FORMULA = tuple("=+-@\uff1d\uff0b\uff0d\uff20")


def one_line(text: object) -> str:
    """Text that cannot leave its line, hide, or turn what stands around it.

    Control characters, line and paragraph separators, marks of direction, characters without a
    width and lone surrogates become visible escapes such as `\\u202e`; nothing else changes.
    """
    told = str(text)
    if told.isprintable() and not _UNSEEN.search(told):
        return told
    return "".join(
        c if c.isprintable() and not _UNSEEN.match(c) else c.encode("unicode_escape").decode()
        for c in told
    )


def in_page(value: object) -> object:
    """A value for a page's template, which escapes it: jinja's `finalize`.

    Text passes `one_line`; markup of our own and numbers stay.
    """
    return one_line(value) if isinstance(value, str) and not hasattr(value, "__html__") else value


def in_table(text: object) -> str:
    """Text for a cell of a CSV: on one line, and a formula in no spreadsheet.

    What would begin one gets an apostrophe before it (OWASP, CSV injection). The writer is to put
    text in quotes, so that no other separator than the comma begins a cell either.
    """
    told = one_line(text)
    return f"'{told}" if told.lstrip().startswith(_FORMULA) else told
