"""Recordings divided into parts that each have their share of every sort of label."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from monitor.model import NS
from monitor.tuning.expect import folds_of, warnings
from monitor.tuning.folds import divided, sorts_of
from monitor.tuning.labels import Label, Labels
from monitor.tuning.score import Totals

LOW, HIGH, GOOD = "changeout-suspect resistance-low", "changeout-suspect resistance-high", "changeout-done good"


def in_each(sorts: list[frozenset[str]], parts: list[list[int]]) -> dict[str, list[int]]:
    """In how many recordings of each part a sort is."""
    counts = [Counter(sort for place in part for sort in sorts[place]) for part in parts]
    return {sort: [count[sort] for count in counts] for sort in sorted({s for each in sorts for s in each})}


def test_a_recording_is_of_the_sorts_its_labels_are_of() -> None:
    labels = Labels((Label(0, "surge", 60.0), Label(NS, "changeout-done", 60.0, detail="good")))
    assert sorts_of(labels) == {"surge", GOOD}


def test_either_half_has_what_every_other_one_would_not_have_had() -> None:
    """Too high and too low by turns: of every other recording, one half would have had no label of one sort."""
    sorts = [frozenset({GOOD, LOW if k % 2 else HIGH}) for k in range(8)] + [frozenset[str]()] * 4
    halves = divided(sorts, 2)
    assert sorted(halves[0] + halves[1]) == list(range(12)) and divided(sorts, 2) == halves
    assert in_each(sorts, halves) == {GOOD: [4, 4], HIGH: [2, 2], LOW: [2, 2]}
    assert [len(half) for half in halves] == [6, 6]


@pytest.mark.parametrize("seed", range(5))
def test_parts_of_mixed_recordings_are_even(seed: int) -> None:
    """Each recording with any of six sorts, some rare: what two parts have of one differs by little (seeded)."""
    rng = np.random.default_rng(seed)
    shares = np.array([0.08, 0.1, 0.2, 0.3, 0.5, 0.8])
    sorts = [frozenset(f"sort {k}" for k in np.flatnonzero(rng.random(6) < shares)) for _ in range(60)]
    parts = divided(sorts, 4)
    assert sorted(place for part in parts for place in part) == list(range(60))
    assert all(max(counts) - min(counts) <= 2 for counts in in_each(sorts, parts).values())


def test_up_to_eight_recordings_are_left_out_one_by_one_and_more_in_eight_parts_that_are_alike() -> None:
    assert folds_of([frozenset({"surge"})]) == []
    assert folds_of([frozenset({"surge"})] * 3) == [[0], [1], [2]]
    sorts = [frozenset({HIGH}) if k % 8 == 0 else frozenset({LOW}) for k in range(64)]
    assert in_each(sorts, folds_of(sorts)) == {HIGH: [1] * 8, LOW: [7] * 8}


def test_what_stands_in_one_recording_alone_is_named() -> None:
    plenty = {"changeout-suspect": Totals(expected=40)}
    sorts = [frozenset({LOW}), frozenset({LOW, HIGH}), frozenset({LOW})]
    assert warnings(plenty, ["changeout-suspect"], 100.0, sorts) == [
        f"Labels in one recording only, so that leaving it out tells little of them: {HIGH}."]
