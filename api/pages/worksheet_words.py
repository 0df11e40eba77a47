"""The words of the worksheet page that a calendar does not have, one table per language."""

from collections.abc import Mapping
from dataclasses import dataclass

from api.actions.worksheet_addresses import WhyGone
from api.feeds.phrases import Language
from scheduler.catalogue import MachineState


@dataclass(frozen=True, slots=True, kw_only=True)
class PageWords:
    """One language. Words in braces are filled in."""

    title: str
    state: Mapping[MachineState, str]
    stopped: str
    back_from: str
    stays_in_use: str
    whole_site: str
    step_minutes: str
    waiting_minutes: str
    read: str
    as_found: str
    as_left: str
    between: str
    decimal_sign: str
    stop_above: str
    stop_below: str
    stop_outside: str
    written_ahead: str
    gone: Mapping[WhyGone, str]
    ask: str
    never_was: str


ENGLISH = PageWords(
    title="Worksheet",
    state={
        MachineState.LIVE: "in service",
        MachineState.ISOLATED_HOT: "out of service, but hot, live and under pressure",
        MachineState.DEAD: "locked and dead, but still hot and under pressure",
        MachineState.COLD: "off, cold, no pressure",
    },
    stopped=(
        "{machine}: stopped and made safe. Leave it so until the cause is mended; nobody uses it "
        "before it is put back into service."
    ),
    back_from="{machine}: back in use at {clock} at the earliest, {minutes} min after you begin.",
    stays_in_use="All machines stay in use.",
    whole_site="The site",
    step_minutes="{minutes} min",
    waiting_minutes="{minutes} min by itself, meanwhile go on",
    read="Read",
    as_found="found",
    as_left="left",
    between="{low} to {high} {unit}",
    decimal_sign=".",
    stop_above="above {above}: stop, make safe",
    stop_below="below {below}: stop, make safe",
    stop_outside="below {below} or above {above}: stop, make safe",
    written_ahead=(
        "Written before the visit, for an arrival at {clock}. What you find comes before what is "
        "written here: if in doubt, stop and make safe."
    ),
    gone={
        WhyGone.WITHDRAWN: "This worksheet is no longer at this address.",
        WhyGone.TAKEN_OVER: "Another technician has taken this visit over. Nothing to do here.",
        WhyGone.CALLED_OFF: "This visit has been cancelled. Nothing to do here.",
    },
    ask="Your calendar has the present state; let it fetch, or ask your dispatcher.",
    never_was="There is no such worksheet.",
)

FRENCH = PageWords(
    title="Fiche de travail",
    state={
        MachineState.LIVE: "en service",
        MachineState.ISOLATED_HOT: "hors service, mais chaude, sous tension et sous pression",
        MachineState.DEAD: "consignée hors tension, mais encore chaude et sous pression",
        MachineState.COLD: "à l’arrêt, froide, sans pression",
    },
    stopped=(
        "{machine}\u00a0: arrêtée et mise en sécurité. La laisser ainsi tant que la cause n’est "
        "pas réparée\u00a0; personne ne l’utilise avant sa remise en service."
    ),
    back_from=(
        "{machine}\u00a0: de nouveau en service à {clock} au plus tôt, "
        "{minutes} min après le début."
    ),
    stays_in_use="Toutes les machines restent en service.",
    whole_site="Le site",
    step_minutes="{minutes} min",
    waiting_minutes="{minutes} min d’attente, continuer entre-temps",
    read="Relever",
    as_found="trouvé",
    as_left="laissé",
    between="de {low} à {high} {unit}",
    decimal_sign=",",
    stop_above="au-dessus de {above}\u00a0: arrêter, mettre en sécurité",
    stop_below="en dessous de {below}\u00a0: arrêter, mettre en sécurité",
    stop_outside="hors de {below} à {above}\u00a0: arrêter, mettre en sécurité",
    written_ahead=(
        "Rédigé avant la visite, pour une arrivée à {clock}. Ce que vous trouvez prime sur ce qui "
        "est écrit\u00a0: en cas de doute, arrêter et mettre en sécurité."
    ),
    gone={
        WhyGone.WITHDRAWN: "Cette fiche n’est plus à cette adresse.",
        WhyGone.TAKEN_OVER: "Un collègue a repris cette visite. Rien à faire ici.",
        WhyGone.CALLED_OFF: "Cette visite est annulée. Rien à faire ici.",
    },
    ask="Votre agenda donne l’état actuel\u00a0: actualisez-le, ou demandez au planning.",
    never_was="Cette fiche n’existe pas.",
)

PAGE_WORDS: Mapping[Language, PageWords] = {"en": ENGLISH, "fr": FRENCH}
