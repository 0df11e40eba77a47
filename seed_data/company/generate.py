"""Write the CSV files of the demo company: ``python -m seed_data.company.generate``."""

from pathlib import Path

from scheduler.catalogue import Catalogue
from seed_data.catalogue import load_catalogue
from seed_data.company.cafes import clientele
from seed_data.company.certificates import examinations
from seed_data.company.crew import Crew
from seed_data.company.csv_files import csv_texts
from seed_data.company.equipment import equipment
from seed_data.company.history import history
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting, read_setting
from seed_data.company.technicians import absences, technicians


def demo_company(setting: Setting, catalogue: Catalogue) -> DemoCompany:
    """Return the whole company; the same setting and catalogue always give the same."""
    cafes = clientele(setting)
    people, away = technicians(setting), absences(setting)
    past = history(
        cafes.sites,
        cafes.contracts,
        equipment(cafes.sites, setting),
        Crew(people, away, cafes.sites),
        catalogue,
        setting,
    )
    return DemoCompany(
        clients=cafes.clients,
        contracts=cafes.contracts,
        sites=cafes.sites,
        technicians=people,
        absences=away,
        machines=past.units,
        fitted_parts=past.parts,
        work_done=past.work,
        meter_readings=past.readings,
        examinations=examinations(past.work, people),
    )


def main() -> None:
    """Write the files beside this one."""
    folder = Path(__file__).parent
    for name, text in csv_texts(demo_company(read_setting(), load_catalogue())).items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
