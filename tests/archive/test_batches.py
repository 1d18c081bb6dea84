"""Items in batches: each once and in order, quick ones together, slow ones apart, killers alone."""

from __future__ import annotations

import pytest

from tieup.archive import batches
from tieup.archive.batches import MOST, Waiting, first_results


def given_out(number: int, threads: int) -> list[tuple[int, ...]]:
    """Return all batches of so many items."""
    waiting, found = Waiting(number), list[tuple[int, ...]]()
    while batch := waiting.take(threads, alone=False):
        found.append(batch)
    return found


@pytest.mark.parametrize(("number", "threads"), [(0, 1), (1, 8), (7, 2), (300, 2), (2000, 64)])
def test_each_item_is_in_one_batch_in_order(number: int, threads: int) -> None:
    """None is larger than the one before it, the last hold one item for each thread at least."""
    found = given_out(number, threads)
    assert [item for batch in found for item in batch] == list(range(number))
    sizes = [len(batch) for batch in found]
    assert sizes == sorted(sizes, reverse=True)
    assert max(sizes, default=0) <= MOST
    assert sizes[-threads:] == [1] * min(number, threads)


def test_many_items_are_few_batches() -> None:
    """That is what they are for."""
    assert len(given_out(2000, 2)) < 2000 / 20


def test_a_batch_ends_with_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The item that is begun is finished, none is begun later, and one is always done."""
    clock = [0.0]

    def work(seconds: float) -> float:
        clock[0] += seconds
        return -seconds

    monkeypatch.setattr(batches, "monotonic", lambda: clock[0])
    assert first_results(work, [0.25] * 9) == [-0.25] * 4
    assert first_results(work, [60.0, 0.1]) == [-60.0]
    assert first_results(work, [0.0] * 9) == [0.0] * 9


def test_what_was_not_begun_comes_next() -> None:
    """In its order, before all that waits."""
    waiting = Waiting(40)
    batch = waiting.take(1, alone=False)
    assert batch == tuple(range(10))
    waiting.put_back(batch[4:])
    rest = [item for _ in range(40) for item in waiting.take(1, alone=False)]
    assert rest == list(range(4, 40))


def test_a_batch_that_kills_is_tried_item_by_item_when_nothing_else_is_left() -> None:
    """Only what kills alone is given up, not what stood or waited beside it."""
    waiting = Waiting(6)
    first, second = waiting.take(1, alone=False), waiting.take(1, alone=False)
    assert (first, second) == ((0, 1), (2,))
    assert waiting.killed(first) == () and waiting.killed(second) == ()
    assert [waiting.take(1, alone=True) for _ in range(3)] == [(3,), (4,), (5,)]
    assert waiting.take(1, alone=False) == ()
    alone = [waiting.take(1, alone=True) for _ in range(3)]
    assert alone == [(0,), (1,), (2,)]
    assert waiting.killed(alone[1]) == (1,)
    assert waiting.take(1, alone=True) == ()
