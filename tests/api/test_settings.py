"""Settings come from the environment; what is wrong is named with its variable."""

import os
from pathlib import Path

import pytest

from api.settings import Settings, prepare_data_folder
from scheduler.errors import InvalidInput


def test_without_variables_everything_lies_in_one_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert Settings.from_environment({"PATH": "/bin"}) == Settings(
        data_folder=tmp_path / "steamround-data",
        database_url=f"sqlite:///{tmp_path}/steamround-data/steamround.sqlite",
        public_url=None,  # the port says it, or whoever served last
    )


def test_a_postgresql_address_gets_its_driver() -> None:
    settings = Settings.from_environment(
        {
            "STEAMROUND_DATA_FOLDER": "/srv/steam",
            "STEAMROUND_DATABASE_URL": "postgresql://plan@db/steam",
            "STEAMROUND_PUBLIC_URL": "https://plan.example.org",
            "STEAMROUND_REQUESTS_PER_MINUTE": "90",
            "STEAMROUND_WEBHOOKS_TO_LOOPBACK": "yes",
            "STEAMROUND_ROADS_URL": "http://roads:8002",
            "STEAMROUND_PLANNING_THREADS": "3",
        }
    )
    assert settings == Settings(
        data_folder=Path("/srv/steam"),
        database_url="postgresql+psycopg://plan@db/steam",
        public_url="https://plan.example.org",
        requests_per_minute=90,
        webhooks_to_loopback=True,
        roads_url="http://roads:8002",
        planning_threads=3,
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("STEAMROUND_DATABASE_URL", "mysql://db/steam"),
        ("STEAMROUND_PUBLIC_URL", "plan.example.org"),
        ("STEAMROUND_PUBLIC_URL", "https://plan.example.org/"),
        ("STEAMROUND_PUBLIC_URL", "https://plan.example.org/a b"),
        ("STEAMROUND_DATABSE_URL", "sqlite:////x"),
        ("STEAMROUND_REQUESTS_PER_MINUTE", "0"),
        ("STEAMROUND_REQUESTS_PER_MINUTE", "-5"),
        ("STEAMROUND_WEBHOOKS_TO_LOOPBACK", "true"),
        ("STEAMROUND_PLANNING_THREADS", "0"),
        ("STEAMROUND_PLANNING_THREADS", "all"),
        ("STEAMROUND_ROADS_URL", "roads:8002"),
        ("STEAMROUND_ROADS_URL", "http://roads:8002/"),
        ("STEAMROUND_ROADS_URL", "http://[roads"),
    ],
)
def test_a_wrong_setting_is_named(name: str, value: str) -> None:
    with pytest.raises(InvalidInput, match=name):
        Settings.from_environment({name: value})


def test_compiled_code_is_kept_in_the_data_folder_unless_told_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    prepare_data_folder(Settings.in_folder(tmp_path / "data"))
    assert os.environ.pop("NUMBA_CACHE_DIR") == str(tmp_path / "data" / "compiled")
    monkeypatch.setenv("NUMBA_CACHE_DIR", "/elsewhere")
    prepare_data_folder(Settings.in_folder(tmp_path / "data"))
    assert os.environ["NUMBA_CACHE_DIR"] == "/elsewhere"
