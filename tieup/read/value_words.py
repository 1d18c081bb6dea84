"""What the words of a raw table mean: faces I and II, roles and codes of another language.

A word is never guessed: job.yaml says what it means, and a message proposes how to say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from tieup.read.form import TableFormat
from tieup.read.raw_columns import Cells

CODE = "code"  # codes are names: capitals count in them alone
# Words that are usual for the two faces; proposed, never taken. Common practice, no source.
_FACES = {
    **dict.fromkeys(("i", "l", "left", "fl", "f1", "cl", "d", "direct", "normal"), 1),
    **dict.fromkeys(("ii", "r", "right", "fr", "f2", "cr", "reverse", "inverse", "reversed"), 2),
}


def with_meanings(
    columns: Mapping[str, Cells], words: Mapping[str, Mapping[str, str]]
) -> dict[str, Cells]:
    """Return the columns of a table with each word put as what ``words`` says that it means.

    Capitals do not count in faces and roles. A word without a meaning stays as it is.
    """
    told = dict(columns)
    for name, meanings in words.items():
        if name in told:
            fold = str if name == CODE else str.lower
            known = {fold(word): meaning for word, meaning in meanings.items()}
            texts = [known.get(fold(text), text) for text in told[name].texts]
            told[name] = replace(told[name], texts=texts)
    return told


def faces_entry(texts: Iterable[str]) -> str:
    """Propose what job.yaml must say of words in a face column, ``...`` where nobody can tell.

    >>> faces_entry(["I", "II", "I", ""]), faces_entry(["x"])
    ('words: {face: {I: 1, II: 2}}', 'words: {face: {x: ...}}')
    """
    meant = {text: _FACES.get(text.lower(), "...") for text in sorted({*texts}) if text}
    return TableFormat().entry(words={"face": meant})
