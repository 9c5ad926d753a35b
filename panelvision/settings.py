"""The shop's own settings: a small TOML file in the user's configuration folder."""

import itertools
import os
import tomllib
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

from panelvision.errors import DataError
from panelvision.files import flush_folder, write_atomically

THEMES: tuple[str, ...] = ("dark", "light")
# chosen: long enough for any shop's name and address on one line, short enough for a heading.
_LONGEST_TEXT = 200


# chosen: prices in any currency lie between.
LEAST_MONEY, MOST_MONEY = 0.01, 1e7


# What the program's own prices are rough figures in.
_EUROS = "€"


def settings_path() -> Path:
    """Where the settings are kept; ``PANELVISION_CONFIG`` names another folder."""
    folder = os.environ.get("PANELVISION_CONFIG")
    base = Path(folder) if folder else user_config_path("panelvision", appauthor=False)
    return base / "settings.toml"


def prices_path() -> Path:
    """Where a shop may put prices, minutes and rates of its own, as in the knowledge files."""
    return _prices_beside(settings_path())


def _prices_beside(path: Path) -> Path:
    return path.with_name("prices.toml")


def usual_currency(prices: Path | None = None) -> str:
    """The currency where the settings name none: that of the shop's prices file, else euros."""
    return _currency_in(prices or prices_path()) or _EUROS


def _currency_in(prices: Path) -> str:
    """What the prices file calls its money; "" without it. Its faults are told where it is used."""
    try:
        economy = tomllib.loads(prices.read_text(encoding="utf-8")).get("economy")
    except (OSError, ValueError, RecursionError):
        return ""
    name = economy.get("currency") if isinstance(economy, dict) else None
    return name.strip() if isinstance(name, str) and _is_line(name) else ""


def _is_line(text: str) -> bool:
    return len(text) <= _LONGEST_TEXT and len(text.splitlines()) <= 1


@dataclass(frozen=True)
class Settings:
    """What a shop sets once.

    Attributes
    ----------
    shop : str
        Name that heads reports and messages; may be empty.
    contact : str
        One line with how to reach the shop; may be empty.
    currency : str
        Sign or code that stands before prices; left out: the :func:`usual_currency`. Ask
        :func:`currency_of`, which knows what an emptied one means.
    labour_per_hour : float or None
        Price of an hour of work in that currency; None: as the knowledge files have it.
    set_value : float or None
        What a working set is worth unless the case says otherwise; None: as above.
    theme : {"dark", "light"}
        Theme that the pages start with.
    """

    shop: str = ""
    contact: str = ""
    currency: str = field(default_factory=usual_currency)
    labour_per_hour: float | None = None
    set_value: float | None = None
    theme: str = "dark"


# chosen: units that are worth about as much as a euro, in which the program's own rough prices of
# parts may be told.
_LIKE_EUROS = ("", _EUROS, "EUR", "$", "US$", "USD", "£", "GBP", "CHF")


def currency_of(settings: Settings, prices: Path | None = None) -> str:
    """The one currency of all figures: the settings', else the prices file's, else the program's.

    Parameters
    ----------
    settings : Settings
    prices : path, optional
        A prices file in place of the usual one.

    Returns
    -------
    str
        May be empty, where the shop wants no sign and its prices file names no currency.
    """
    if prices is not None and settings.currency == usual_currency():
        return usual_currency(prices)
    return settings.currency.strip() or _currency_in(prices or prices_path())


def in_own_money(settings: Settings) -> bool:
    """Whether the program's own prices, rough figures in euros, are of the shop's order of money.

    Nothing converts them: in other money only what the shop gives itself (:func:`prices_path`) may
    be told.
    """
    return like_euros(currency_of(settings))


def like_euros(currency: str) -> bool:
    """Whether a currency's unit is worth about as much as a euro."""
    return currency in _LIKE_EUROS


def load_settings(path: Path | None = None) -> Settings:
    """Read the settings; the defaults when there is no file yet or no right to read it.

    Raises
    ------
    DataError
        When the file is there and is not what it should be: one line with file and field.
    """
    path = path or settings_path()
    prices = _prices_beside(path)
    usual = Settings(currency=usual_currency(prices))
    table = _table(path)
    known = {one.name for one in fields(Settings)}
    for name in table:
        if name not in known:
            raise DataError(
                f"{path}: unknown setting {name[:40]!r}; known: {', '.join(sorted(known))}"
            )
    try:
        found = checked(replace(usual, **table))
    except DataError as fault:
        raise DataError(f"{path}: {fault}") from None
    return found if found.currency else replace(found, currency=_currency_in(prices))


def _table(path: Path) -> dict[str, Any]:
    """What the file says; nothing when there is no file or no right to read it."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError:
        return {}
    except UnicodeDecodeError:
        raise DataError(f"{path}: is not UTF-8 text; correct or delete it") from None
    except RecursionError:
        raise DataError(f"{path}: nested too deep; correct or delete it") from None
    except ValueError as fault:  # also a number of thousands of digits
        raise DataError(f"{path}: {fault}; correct or delete it") from None


def checked(settings: Settings) -> Settings:
    """The settings with texts trimmed and numbers as floats.

    Raises
    ------
    DataError
        For a value of the wrong kind or out of range.
    """
    for name in ("shop", "contact", "currency", "theme"):
        value = getattr(settings, name)
        if not isinstance(value, str) or not _is_line(value):
            raise DataError(f"{name}: expected one line of at most {_LONGEST_TEXT} characters")
    if settings.theme not in THEMES:
        raise DataError(f"theme: expected one of {', '.join(THEMES)}, got {settings.theme!r}")
    return replace(
        settings,
        shop=settings.shop.strip(),
        contact=settings.contact.strip(),
        currency=settings.currency.strip(),
        labour_per_hour=_number("labour_per_hour", settings.labour_per_hour),
        set_value=_number("set_value", settings.set_value),
    )


def _number(name: str, value: object) -> float | None:
    if value is None:
        return None
    number = not isinstance(value, bool) and isinstance(value, int | float)
    if not number or not LEAST_MONEY <= value <= MOST_MONEY:  # type: ignore[operator]
        raise DataError(f"{name}: expected a number from {LEAST_MONEY:g} to {MOST_MONEY:.0f}")
    return float(value)  # type: ignore[arg-type]


def save_settings(settings: Settings, path: Path | None = None) -> Path:
    """Write the settings in one step, so that a crash leaves the old or the new file.

    Raises
    ------
    DataError
        For an impossible value, or when the folder cannot be written.
    """
    settings = checked(settings)
    path = path or settings_path()
    usual = Settings(currency=usual_currency(_prices_beside(path)))
    # What was chosen stays chosen, also where a prices file has come to say the same.
    chosen = {"currency"} if _names_currency(path) else set()
    lines = []
    for one in fields(settings):
        value = getattr(settings, one.name)
        if value == getattr(usual, one.name) and one.name not in chosen:
            continue
        lines.append(f"{one.name} = {_toml(value)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, ("\n".join(lines) + "\n").encode())
    except OSError as fault:
        raise _unwritable(path, fault) from None
    return path


def keep_unread(path: Path | None = None) -> Path | None:
    """Put a settings file that cannot be read aside, so that saving does not overwrite it.

    Returns where it is now, or None when there is nothing to put aside.

    Raises
    ------
    DataError
        When it cannot be put aside; it is still there then.
    """
    path = path or settings_path()
    if not os.path.lexists(path) or _can_be_read(path):
        return None
    for number in itertools.count(1):
        aside = path.with_name(f"{path.name}.broken" + (f"-{number}" if number > 1 else ""))
        try:
            # The name is taken first, so that an older one is never replaced.
            os.close(os.open(aside, os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            continue
        except OSError as fault:
            raise _unwritable(aside, fault) from None
        break
    try:
        os.replace(path, aside)
    except OSError as fault:
        aside.unlink(missing_ok=True)
        raise _unwritable(path, fault) from None
    flush_folder(path.parent)
    return aside


def _can_be_read(path: Path) -> bool:
    try:
        with path.open("rb"):
            load_settings(path)
    except (OSError, DataError):
        return False
    return True


def _unwritable(path: Path, fault: OSError) -> DataError:
    return DataError(
        f"{path}: cannot be written ({fault.strerror}); set PANELVISION_CONFIG to a folder that can"
    )


def _names_currency(path: Path) -> bool:
    try:
        return bool(_table(path).get("currency"))
    except DataError:  # about to be written anew
        return False


def _toml(value: str | float) -> str:
    if isinstance(value, str):
        quoted = value.replace("\\", "\\\\").replace('"', '\\"')
        # Control characters have no place in one line of text and none in TOML.
        return '"' + "".join(c for c in quoted if c >= " " and c != "\x7f") + '"'
    return repr(float(value))
