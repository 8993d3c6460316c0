import inspect

import pytest

import rules.errors
from rules.errors import ContractError, CuproscopeError, InstallError, PhotoError
from rules.sentences import sentence


def test_everything_raised_on_purpose_is_caught_as_one() -> None:
    kinds = [k for _, k in inspect.getmembers(rules.errors, inspect.isclass)]
    assert len(kinds) >= 5
    assert all(issubclass(kind, CuproscopeError) for kind in kinds)


@pytest.mark.parametrize("where", [None, "photo.jpg"])
def test_an_error_says_where_it_is(where: str | None) -> None:
    told = str(ContractError("is odd", where=where))
    assert told == ("is odd" if where is None else "photo.jpg: is odd")


def test_what_a_person_can_act_on_says_what_to_do() -> None:
    photo = PhotoError("is blurred", code="blurred", fix="Hold still.")
    assert (photo.code, photo.fix, photo.variant) == ("blurred", "Hold still.", "")
    assert InstallError("is gone").fix
    assert InstallError.code


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("the file is empty", "The file is empty."),
        ("really?", "Really?"),
        ("  stop! ", "Stop!"),
        ("16 AWG is thick.", "16 AWG is thick."),
        ("émail", "Émail."),
    ],
)
def test_a_fragment_becomes_a_sentence(text: str, told: str) -> None:
    assert sentence(text) == told
    assert sentence(told) == told
