import pytest

from pooleye.errors import PooleyeError, UsageError


def test_an_error_reads_as_reference_message_what_was_looked_for_and_hint():
    error = UsageError("rim-missing", "no rim was given", looked_for="a length", hint="add --rim-inner 76mm")
    assert (
        error.rendered() == "error[rim-missing]: no rim was given\n  looked for: a length\n  try: add --rim-inner 76mm"
    )
    assert str(error) == "no rim was given"


def test_what_was_looked_for_may_be_left_out():
    assert PooleyeError("x", "y", hint="z").rendered() == "error[x]: y\n  try: z"


@pytest.mark.parametrize("hint", ["", "  ", "\n"])
def test_an_error_without_a_hint_cannot_be_built(hint):
    with pytest.raises(ValueError, match="no hint"):
        PooleyeError("some-thing", "went wrong", hint=hint)


def test_an_error_without_a_message_cannot_be_built():
    with pytest.raises(ValueError, match="no message"):
        PooleyeError("some-thing", " ", hint="do this")


@pytest.mark.parametrize("reference", ["", "Rim", "rim_missing", "rim missing", "-rim", "rim-", "3rims"])
def test_a_reference_is_kebab_case(reference):
    with pytest.raises(ValueError, match="kebab-case"):
        PooleyeError(reference, "went wrong", hint="do this")
