"""Letters and status words of other systems. ISA-5.1 (2009), table 1, and NE 107: both from memory."""

from __future__ import annotations

import re

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.plant_words import FAILURE, OUTSIDE, SYMBOLS, letters, spoken, status


def test_letters_are_built_as_isa_5_1_builds_them() -> None:
    """First letter a measured variable (P, F, M), D its modifier, then A with H, HH or L behind it."""
    used = [found for kind in CATALOGUE for d in (None, "resistance-low", "leak-sensor") if (found := letters(kind, d))]
    assert used
    assert all(re.fullmatch(r"[PFM]D?A(H|HH|L|LL)?", found) for found in used)


def test_a_higher_limit_of_the_same_variable_has_one_h_more() -> None:
    assert (letters("changeout-due"), letters("dp-limit")) == ("PDAH", "PDAHH")


def test_every_alarm_of_the_catalogue_has_a_status() -> None:
    assert {k for k in CATALOGUE if status(k) is None} <= {"blocked-outside"}
    assert {status(k) for k in CATALOGUE} - {None} <= SYMBOLS.keys()


def test_a_detail_goes_before_the_kind() -> None:
    assert status("signal-fault", "stale") == FAILURE != status("signal-fault", "zero-shift") == OUTSIDE
    assert letters("closure-seep", "leak-sensor") != letters("closure-seep", "pressure-decay")


def test_a_kind_without_either_is_said_in_no_words() -> None:
    assert spoken("changeout-done") == "" and spoken("dp-limit") == "PDAHH, S: out of specification"
