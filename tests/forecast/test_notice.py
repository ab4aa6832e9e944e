"""When a changeout is told of beforehand, and that it does not flap."""

from __future__ import annotations

from monitor.forecast.notice import Move, notice_hours, weigh
from monitor.forecast.use import HOUR
from monitor.forecast.watch import Row, Run, Watch

START = 500_000 * HOUR


def moves(watch: Watch, p50: list[float], notice: float = 10.0) -> list[Move]:
    """One forecast a quarter of an hour, its interval 20 % either way."""
    rows = [Row(START + k * HOUR // 4, 0.8 * v, v, 1.2 * v) for k, v in enumerate(p50)]
    return [m for m in (weigh(watch, row, notice, HOUR // 2) for row in rows) if m is not None]


def test_it_is_told_once_the_point_stays_near_and_kept_while_it_is_not_far() -> None:
    assert moves(Watch(began=START), [12.0, 9.9, 11.0, 9.9, 9.8]) == []
    assert moves(Watch(began=START), [9.0, 8.0, 7.0, 14.0, 9.0, 14.9, 3.0]) == [Move.RAISE]


def test_what_comes_and_goes_is_told_ever_more_reluctantly() -> None:
    """Swings between half and twice the notice period, thirty times."""
    told = moves(Watch(began=START), ([6.0] * 4 + [20.0] * 4) * 30)
    assert told == [Move.RAISE, Move.TAKE_BACK], "again only within half of it"
    assert moves(Watch(began=START), [6.0] * 4 + [20.0] + [4.0] * 4) == [Move.RAISE, Move.TAKE_BACK, Move.RAISE]


def test_nothing_is_told_between_two_vessels_of_one_changeout() -> None:
    before = Run(began=START - 40 * HOUR, due=True, hours=40.0, total=1.0, points=[], whole=True)
    assert moves(Watch(began=START, main=before), [1.0] * 7) == []
    assert moves(Watch(began=START, main=before), [1.0] * 12) == [Move.RAISE], "two hours later they have been left"


def test_notice_is_the_lesser_of_the_period_and_a_share_of_the_life() -> None:
    row = Row(START + 30 * HOUR, 8.0, 10.0, 12.0)
    assert notice_hours(Watch(began=START), row, notice=24.0, share=0.25) == 10.0
    assert notice_hours(Watch(began=START), row, notice=6.0, share=0.25) == 6.0
