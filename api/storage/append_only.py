"""The tables whose rows are never changed or deleted; either database refuses it."""

from typing import Final

APPEND_ONLY: Final = ("audit", "catalogue_edit", "examination", "price_acceptance")
