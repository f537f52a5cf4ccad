from swardwright.domain.errors import InputError, SwardwrightError


def test_one_sentence_carries_place_value_and_limit() -> None:
    error = InputError(
        "the zone crosses itself", where="site.toml", field="zones[0]", value=(1, 2), limit="a simple polygon"
    )
    assert str(error) == "site.toml: zones[0]: the zone crosses itself (found (1, 2); expected a simple polygon)."


def test_long_values_are_shortened() -> None:
    assert len(str(SwardwrightError("too long", value="x" * 500))) < 120


def test_a_sentence_ends_once() -> None:
    assert SwardwrightError("refused: nobody signed.").sentence() == "refused: nobody signed."
