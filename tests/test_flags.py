from pathlib import Path

import pytest

from pooleye import flags
from pooleye.flags import FLAGS, REASONS, Declined, Flag, Reason, Severity

DOCS = Path(__file__).parents[1] / "docs"


def test_every_severity_is_reached_by_a_flag():
    assert {flag.severity for flag in FLAGS.values()} == set(Severity)


def test_the_reasons_of_the_contract_are_registered():
    contract = {
        "no-vessel",
        "rim-cut-off",
        "too-dark",
        "overexposed",
        "blurred",
        "too-oblique",
        "no-flame",
        "unreadable",
    }
    assert contract <= set(REASONS)


def test_only_files_that_cannot_be_taken_in_count_as_unread():
    assert {reason.name for reason in REASONS.values() if reason.unread} == {"unreadable", "too-large", "animated"}


def test_an_unknown_name_cannot_be_used():
    with pytest.raises(ValueError, match="not registered"):
        flags.flag_named("pool-lovely")
    with pytest.raises(ValueError, match="not registered"):
        flags.reason_named("bored")
    with pytest.raises(ValueError, match="not registered"):
        Declined("bored")


def test_a_flag_says_full_sentences_under_a_kebab_case_name():
    with pytest.raises(ValueError, match="full sentence"):
        Flag("pool-lovely", Severity.INFO, "It is lovely.", "enjoy")
    with pytest.raises(ValueError, match="kebab-case"):
        Flag("Pool", Severity.INFO, "It is lovely.", "Enjoy it.")
    with pytest.raises(ValueError, match="full sentence"):
        Reason("bored", "", "Try again.")


def test_declined_takes_the_registered_hint_unless_a_better_one_is_at_hand():
    assert Declined("blurred").hint == REASONS["blurred"].hint
    assert Declined("blurred", "shaken", "Hold still.").hint == "Hold still."
    assert Declined("blurred", "shaken").message == "shaken"


def test_stops_come_first_and_nothing_twice():
    ordered = flags.stops_first(["focal-assumed", "pool-uncertain", "wick-adrift", "pool-uncertain"])
    assert [flag.name for flag in ordered] == ["wick-adrift", "pool-uncertain", "focal-assumed"]


def test_the_page_in_the_docs_is_what_the_registry_says():
    assert (DOCS / "flags.md").read_text(encoding="utf-8") == flags.registry_as_markdown(), (
        "run: pooleye flags --markdown > docs/flags.md"
    )
