"""Write the CSV files of the demo company: ``python -m seed_data.company.generate``."""

from pathlib import Path

from seed_data.company.cafes import clientele
from seed_data.company.csv_files import csv_texts
from seed_data.company.equipment import equipment
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting, read_setting
from seed_data.company.technicians import absences, technicians


def demo_company(setting: Setting) -> DemoCompany:
    """Return the whole company; the same setting and catalogue always give the same."""
    cafes = clientele(setting)
    units = equipment(cafes.sites, setting)
    return DemoCompany(
        clients=cafes.clients,
        contracts=cafes.contracts,
        sites=cafes.sites,
        technicians=technicians(setting),
        absences=absences(setting),
        machines=units,
    )


def main() -> None:
    """Write the files beside this one."""
    folder = Path(__file__).parent
    for name, text in csv_texts(demo_company(read_setting())).items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
