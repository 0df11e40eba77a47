"""The words calendars are written in: one table per language, everything a reader sees in it.

What comes from elsewhere stays as it is: names, addresses, notes, and the catalogue's names of
work, parts, tools and cautions.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Language = Literal["en", "fr"]
VisitKind = Literal["upkeep", "statutory", "callback"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrases:
    """One language. Words in braces are filled in; a colon takes the blanks its language wants."""

    # titles of calendars
    rounds_of: str
    at_work_title: str
    site_title: str
    company_title: str
    # summaries
    kinds: Mapping[VisitKind, str]
    colon: str
    handed_over: str
    cancelled: str
    done: str
    no_access: str
    urgent: str
    moved: str
    who_at: str
    more: str
    at_work: str
    at_work_cancelled: str
    # times
    weekdays: tuple[str, str, str, str, str, str, str]
    months: tuple[str, str, str, str, str, str, str, str, str, str, str, str]
    moved_from: str
    times: str
    promised: str
    planned: str
    respond_by: str
    leave_by: str
    leave_by_workshop: str
    # what happens
    taken_over: str
    called_off: str
    nobody_comes: str
    will_come: str
    machines_stay: str
    machine: str
    machine_off: str
    leave_it_off: str
    # headings
    fetch: str
    load_first: str
    fetched: str
    for_site: str
    share: str
    bring: str
    tools: str
    getting_in: str
    on_site: str
    take_care: str
    order_of_work: str
    step: str
    waiting_step: str
    local_rules_first: str


ENGLISH = Phrases(
    rounds_of="Rounds of {name}",
    at_work_title="{name} at work",
    site_title="Machine care at {name}",
    company_title="All rounds of {name}",
    kinds={"upkeep": "Upkeep", "statutory": "Statutory inspection", "callback": "Callback"},
    colon=": ",
    handed_over="Handed over",
    cancelled="Cancelled",
    done="Done",
    no_access="No access",
    urgent="urgent",
    moved="moved",
    who_at="{who} at {place}",
    more="{first} + {count} more",
    at_work="At work",
    at_work_cancelled="Cancelled: at work",
    weekdays=("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"),
    months=(
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ),
    moved_from="Moved from {day} {clock}.",
    times="{day}, {start} to {end} ({length}).",
    promised="The client has been promised this time.",
    planned="Planned; the time may still move.",
    respond_by="Answer due by {day} {clock}.",
    leave_by="Drive of about {minutes} min: leave by {clock}.",
    leave_by_workshop=(
        "Call at the workshop on the way ({call} min), drive of about {minutes} min: leave by "
        "{clock}."
    ),
    taken_over="Another technician has taken this visit over. Nothing to do here.",
    called_off="This visit has been cancelled. Nothing to do here.",
    nobody_comes="Nobody will come at this time.",
    will_come="{who} will come.",
    machines_stay="Your machines stay in use.",
    machine="{name}, tag {tag}",
    machine_off="{machine} is off from about {start} to {end}: nothing can be had from it.",
    leave_it_off=(
        "Leave it off until the technician hands it back: it may be open, hot or under pressure."
    ),
    fetch="Fetch at the workshop",
    load_first="Load before you set out",
    fetched="{pieces} × {part} ({shares})",
    for_site="for {site}",
    share="{pieces} for {site}",
    bring="Bring",
    tools="Tools",
    getting_in="Getting in",
    on_site="On site",
    take_care="Take care",
    order_of_work="Order of work",
    step="{number}. {text} ({minutes} min)",
    waiting_step="{number}. {text} ({minutes} min, meanwhile go on)",
    local_rules_first=(
        "Local rules come first; gas, mains and pressure work only with the licence for it."
    ),
)  # fmt: skip

FRENCH = Phrases(
    rounds_of="Tournées de {name}",
    at_work_title="{name} au travail",
    site_title="Entretien des machines : {name}",
    company_title="Toutes les tournées de {name}",
    kinds={
        "upkeep": "Entretien",
        "statutory": "Contrôle réglementaire",
        "callback": "Dépannage",
    },
    colon=" : ",
    handed_over="Confié à un collègue",
    cancelled="Annulé",
    done="Fait",
    no_access="Pas d’accès",
    urgent="urgent",
    moved="déplacé",
    who_at="{who} chez {place}",
    more="{first} + {count}",
    at_work="Au travail",
    at_work_cancelled="Annulé : au travail",
    weekdays=("lun.", "mar.", "mer.", "jeu.", "ven.", "sam.", "dim."),
    months=(
        "janv.", "févr.", "mars", "avril", "mai", "juin",
        "juil.", "août", "sept.", "oct.", "nov.", "déc.",
    ),
    moved_from="Initialement prévu {day} à {clock}.",
    times="{day}, de {start} à {end} ({length}).",
    promised="Cette heure a été promise au client.",
    planned="Prévu ; l’heure peut encore changer.",
    respond_by="Intervention due avant {day} {clock}.",
    leave_by="Environ {minutes} min de route : partir à {clock} au plus tard.",
    leave_by_workshop=(
        "Passer à l’atelier en route ({call} min), environ {minutes} min de route : partir à "
        "{clock} au plus tard."
    ),
    taken_over="Un collègue a repris cette visite. Rien à faire ici.",
    called_off="Cette visite est annulée. Rien à faire ici.",
    nobody_comes="Personne ne viendra à cette heure.",
    will_come="{who} viendra.",
    machines_stay="Vos machines restent en service.",
    machine="{name}, repère {tag}",
    machine_off="{machine} sera à l’arrêt d’environ {start} à {end} : inutilisable.",
    leave_it_off=(
        "Ne la remettez pas en marche avant que le technicien vous la rende : elle peut être "
        "ouverte, brûlante ou sous pression."
    ),
    fetch="À prendre à l’atelier",
    load_first="À charger avant de partir",
    fetched="{pieces} × {part} ({shares})",
    for_site="pour {site}",
    share="{pieces} pour {site}",
    bring="À emporter",
    tools="Outils",
    getting_in="Accès",
    on_site="Sur place",
    take_care="Attention",
    order_of_work="Ordre du travail",
    step="{number}. {text} ({minutes} min)",
    waiting_step="{number}. {text} ({minutes} min, continuer entre-temps)",
    local_rules_first=(
        "Les règles locales priment ; gaz, courant et pression uniquement avec l’habilitation "
        "requise."
    ),
)  # fmt: skip

PHRASES: Mapping[Language, Phrases] = {"en": ENGLISH, "fr": FRENCH}
