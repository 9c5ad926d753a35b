"""Whose money the figures are in, and which of them may be told."""

import pytest

from panelvision.cases.shop import may_be_told, shop_knowledge
from panelvision.knowledge import load_knowledge
from panelvision.messages import message_for
from panelvision.settings import Settings, in_own_money, load_settings, save_settings, settings_path
from panelvision.triage_cases import repair_price

CROWNS = '[economy]\ncurrency = "CZK"\n'


@pytest.fixture
def prices(monkeypatch, tmp_path):
    """Writes the shop's prices file."""
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path))
    path = tmp_path / "prices.toml"

    def write(text: str = CROWNS) -> None:
        path.write_text(text, "utf-8")

    return write


def test_the_prices_file_names_the_currency_where_the_settings_do_not(prices):
    prices(
        CROWNS + "labour_per_hour = 900.0\n"
        "[part.power-board]\nprice = [600.0, 900.0]\n[part.inner-cables]\nprice = [90.0, 90.0]\n"
    )
    for settings in (Settings(), load_settings()):
        assert shop_knowledge(settings, None).economy.currency == "CZK"
        low, high = repair_price("power-board", settings)
        # 27 minutes: 15 for the board and 12 for the back cover.
        assert (low, high) == pytest.approx((600 + 900 * 27 / 60, 900 + 900 * 27 / 60))
        told = message_for("quote", suspect="power-board", estimate=(low, high), settings=settings)
        assert "come to CZK 1005 to CZK 1305," in told


@pytest.mark.parametrize("kept", [None, 'currency = ""\n'])
def test_prices_of_the_program_are_not_told_in_the_currency_of_the_prices_file(prices, kept):
    prices()
    if kept is not None:
        settings_path().write_text(kept, "utf-8")
    own = load_settings()
    assert own.currency == "CZK"
    for settings in (own, Settings(currency="")):
        bench = shop_knowledge(settings, None)
        assert bench.economy.currency == "CZK" and not in_own_money(settings)
        assert not may_be_told([bench.parts["power-board"]], bench, settings)
        assert repair_price("power-board", settings) is None


def test_a_currency_set_in_the_settings_goes_before_the_prices_file(prices):
    prices()
    settings_path().write_text('currency = "€"\n', "utf-8")
    settings = load_settings()
    assert settings.currency == "€" and in_own_money(settings)
    assert shop_knowledge(settings, None).economy.currency == "€"
    save_settings(Settings(currency="USD"))
    assert shop_knowledge(load_settings(), None).economy.currency == "USD"
    save_settings(Settings(currency="€"))
    assert load_settings().currency == "€"


def test_saving_something_else_leaves_the_currency_to_the_prices_file(prices):
    prices()
    save_settings(load_settings())
    assert "currency" not in settings_path().read_text("utf-8")
    # One that was chosen stays, whatever the prices file comes to say or to say no more.
    save_settings(Settings(currency="kr"))
    prices('[economy]\ncurrency = "kr"\n')
    save_settings(load_settings())
    prices("")
    assert load_settings().currency == "kr"


def test_a_prices_file_in_place_of_the_usual_one_brings_its_currency(prices, tmp_path):
    prices('[economy]\ncurrency = "kr"\n')
    other = tmp_path / "other.toml"
    other.write_text(CROWNS, "utf-8")
    known = shop_knowledge(load_settings(), None, prices=other)
    assert known.economy.currency == "CZK"
    assert shop_knowledge(Settings(currency="USD"), None, prices=other).economy.currency == "USD"


def test_a_broken_prices_file_does_not_stop_the_settings(prices):
    for text in ("[economy", "[economy]\ncurrency = 5", "economy = 3", "[economy]\ncurrency = ' '"):
        prices(text)
        assert load_settings().currency == Settings().currency == "€"


def test_a_price_without_a_currency_stands_by_itself():
    told = message_for(
        "quote", suspect="backlight", estimate=(52.0, 88.0), settings=Settings(currency="")
    )
    assert "come to 50 to 90, parts" in told
    assert load_knowledge().economy.currency not in told
