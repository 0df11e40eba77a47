"""How an amount of money is said in a sentence."""

from typing import Final

_WHOLE: Final = frozenset({"CLP", "ISK", "JPY", "KRW", "PYG", "UGX", "VND", "XAF", "XOF", "XPF"})
"""Currencies without a smaller unit (ISO 4217)."""


def money(minor: float, currency: str) -> str:
    """Return an amount of minor units as people write it; without its currency where that is "".

    >>> money(123_450, "NOK"), money(4_150, ""), money(980, "JPY")
    ('1,234.50 NOK', '41.50', '980 JPY')
    """
    amount = f"{minor:,.0f}" if currency in _WHOLE else f"{minor / 100:,.2f}"
    return f"{amount} {currency}" if currency else amount
