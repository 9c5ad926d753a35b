"""Whose money the figures are in, and which of them may be told."""

import pytest

from panelvision.advise_cli import in_words
from panelvision.cases.shop import may_be_told, shop_knowledge
from panelvision.isolate import advise
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


# --- other money than like euros --------------------------------------------------------

YEN = Settings(currency="JPY", labour_per_hour=5000.0)
STRIPS = {"sound": "yes", "picture": "dark", "torch": "faint-picture", "error-flag": "high"}


@pytest.mark.parametrize(
    "seen", [{}, {"sound": "yes"}, {"picture": "broken", "sound": "yes"}, STRIPS]
)
def test_advice_is_the_same_in_any_money(seen):
    """What to do does not depend on the unit: all figures times one number, the same choice."""
    yen = shop_knowledge(YEN, None)
    ours = load_knowledge()
    here, there = advise(None, seen, knowledge=ours), advise(None, seen, knowledge=yen)
    rate = 5000.0 / ours.economy.labour_per_hour
    assert there.expected_cost == pytest.approx(rate * here.expected_cost)
    assert there.set_value == pytest.approx(rate * ours.economy.set_value)
    for one, other in ((here.next_test, there.next_test), (here.stop, there.stop)):
        assert (one is None) == (other is None)
    if here.next_test is not None:
        assert there.next_test.name == here.next_test.name


def test_only_what_the_shop_does_not_give_is_in_proportion(prices):
    prices(
        '[economy]\ncurrency = "JPY"\nlabour_per_hour = 4000.0\nlive_risk = 7.0\n'
        "[part.panel]\nprice = [9.0, 11.0]\n[test.warm-up]\nrisk = 3.0\n"
        "[opening.back-off]\nrisk = 2.0\n"
    )
    yen, ours = shop_knowledge(Settings(set_value=90_000.0), None), load_knowledge()
    assert (yen.economy.set_value, yen.economy.live_risk) == (90_000.0, 7.0)
    assert yen.economy.waiting_share == ours.economy.waiting_share
    assert yen.economy.order_handling == 100 * ours.economy.order_handling
    assert yen.parts["panel"].price == (9.0, 11.0)
    assert yen.parts["power-board"].price == tuple(
        100 * price for price in ours.parts["power-board"].price
    )
    assert (yen.tests["warm-up"].risk, yen.openings["back-off"].risk) == (3.0, 2.0)
    assert yen.openings["panel-off"].risk == 100 * ours.openings["panel-off"].risk


def test_without_a_rate_for_work_the_worth_of_a_set_gives_the_proportion():
    yen, ours = shop_knowledge(Settings(currency="JPY", set_value=22_000.0), None), load_knowledge()
    rate = 22_000.0 / ours.economy.set_value
    assert yen.economy.labour_per_hour == pytest.approx(rate * ours.economy.labour_per_hour)
    assert not yen.gives([yen.parts["reset"]])  # its work is priced in proportion alone


def test_money_like_euros_is_left_as_it_is():
    known = shop_knowledge(Settings(currency="USD", labour_per_hour=60.0), None)
    assert known.parts == load_knowledge().parts and known.economy.set_value == 220.0


def test_figures_in_proportion_are_told_to_nobody():
    yen = shop_knowledge(YEN, None)
    assert not may_be_told([yen.parts["power-board"]], yen, YEN)
    assert may_be_told([yen.parts["reset"]], yen, YEN)  # work alone, at the shop's own rate
    assert repair_price("backlight", YEN) is None
    asked = "\n".join(in_words(advise(None, {}, knowledge=yen)))
    assert "Why: With this test first" in asked and "JPY" not in asked
    assert "\nElse: " in asked and "(+" not in asked
    ordered = advise(None, STRIPS, knowledge=yen).stop
    assert ordered.kind == "order" and "JPY" not in ordered.text
    assert ordered.text.startswith(f"Order this: {ordered.title}; ")


def test_giving_up_by_figures_in_proportion_is_not_settled():
    broken = {"sound": "yes", "picture": "broken"}
    for settings, lacking in (
        (
            Settings(currency="JPY"),
            "what the set is worth; what an hour of your work costs; your prices of all parts",
        ),
        (YEN, "what the set is worth; your prices of all parts"),
    ):
        stop = advise(None, broken, knowledge=shop_knowledge(settings, None)).stop
        assert stop.title == "Not settled yet" and not stop.settled
        assert f"give {lacking} (" in stop.text and "Not worth" not in stop.text
    known = shop_knowledge(YEN, None)
    mine = advise(None, broken, set_value=5000.0, knowledge=known).stop
    assert "give your prices of all parts (" in mine.text and not mine.settled
    euros = advise(None, broken, knowledge=shop_knowledge(Settings(), None)).stop
    assert euros.title == "Not worth repairing" and euros.settled
