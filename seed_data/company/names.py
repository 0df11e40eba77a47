"""Invented names, telephone numbers and addresses.

Telephone numbers come from the blocks the French regulator keeps free for fiction (05 36 49 and
06 39 98, from memory); mail addresses end in ``.example`` (RFC 2606).
"""

import unicodedata
from random import Random

HOUSE_NAMES = (
    "Loriquet", "Tourvelaine", "Brisandoule", "Marsaubine", "Vaucrelle", "Peyrandoux",
    "Castelombre", "Garluzac", "Ombrevale", "Sarcelune", "Miraubelle", "Courtepoire",
    "Estrandier", "Dunaubrac", "Belugarde", "Clapotine", "Rivaloubet", "Faubrelet",
    "Mascarelle", "Goulandeau", "Jalousin", "Chantevigie", "Tramontelle", "Bouchardine",
    "Pinadelle", "Couleuvrette", "Hourtelune", "Gabarotte", "Esteyrol", "Palombrine",
    "Rocamadelle", "Vignemouche", "Aigremarine", "Quaiserein", "Tillebarde", "Mouchetanne",
    "Cordebrise", "Escarbouline", "Fontarelle", "Grisolance", "Larmandelle", "Nacrevoile",
    "Ormeplane", "Passerande", "Rondevaille", "Salicornette", "Trompecoeur", "Ventabrise",
    "Yeuserolle", "Zostérine", "Arbousette", "Balandrune", "Cailloubette", "Digueverte",
    "Échassine", "Filandrelle", "Galipotine", "Hirondée", "Isletière", "Jonchevive",
)  # fmt: skip

_FIRST_NAMES = (
    "Agathe", "Alban", "Amina", "Anouk", "Bérénice", "Célestin", "Damien", "Estelle", "Fabien",
    "Gaëlle", "Hélène", "Ismaël", "Joachim", "Lucile", "Malik", "Nadège", "Oriane", "Pascal",
    "Quitterie", "Romuald", "Sabine", "Tiphaine", "Ulysse", "Violaine", "Xavier", "Yasmine",
)  # fmt: skip
_FAMILY_NAMES = (
    "Aubrelin", "Bardicaze", "Caumirol", "Destrebois", "Esquirande", "Fargeaudin", "Guichelot",
    "Hustardin", "Jauberlac", "Labordique", "Mirandolle", "Nogarède-Puy", "Ostabaret",
    "Pelissandre", "Roquelaine", "Soubiradou", "Teychenelle", "Vidalombe",
)  # fmt: skip
_STREETS = (
    "rue des Cuviers", "rue du Chai Neuf", "place du Vieux Lavoir", "quai des Gabares",
    "rue de la Corderie", "avenue des Pins", "rue des Tonneliers", "allée des Platanes",
    "cours du Marché", "rue du Four Banal", "place de la Halle", "chemin des Vignes",
    "rue des Remparts", "rue du Puits", "avenue du Port", "impasse des Glycines",
)  # fmt: skip


def person_name(rng: Random) -> str:
    """Return an invented first and family name."""
    return f"{rng.choice(_FIRST_NAMES)} {rng.choice(_FAMILY_NAMES)}"


def street_address(rng: Random) -> str:
    """Return an invented house number and street."""
    return f"{rng.randint(1, 120)} {rng.choice(_STREETS)}"


def landline(number: int) -> str:
    """Return a telephone number of the block for fiction, ``number`` in 0..9999."""
    return f"+33 5 36 49 {number // 100:02d} {number % 100:02d}"


def mobile(number: int) -> str:
    """Return a mobile number of the block for fiction, ``number`` in 0..9999."""
    return f"+33 6 39 98 {number // 100:02d} {number % 100:02d}"


def mail_name(name: str) -> str:
    """Return a name as it may stand in a mail address: ``Nacrevoile`` from ``Nâcrevoile``."""
    plain = unicodedata.normalize("NFKD", name.replace("œ", "oe")).encode("ascii", "ignore")
    return plain.decode().lower().replace(" ", ".").replace("'", "")
