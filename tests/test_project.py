"""What holds for the project as a whole: settings, imports, migrations, size of files."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.core.management import call_command

from config.secret import kept_secret_key

ROOT = Path(__file__).resolve().parent.parent


def run(*arguments: str, **variables: str) -> subprocess.CompletedProcess:
    ours = {"DEBUG", "SECRET_KEY", "PUBLIC_URL", "REDIS_URL", "DJANGO_ALLOW_ASYNC_UNSAFE"}
    known = {name: value for name, value in os.environ.items() if name not in ours}
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, env=known | variables, capture_output=True, text=True, timeout=120
    )


def test_a_secret_key_is_made_once_and_is_ours_alone(tmp_path):
    folder = tmp_path / "data"
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(kept_secret_key, [folder] * 8))
    assert len(keys) == 1
    assert len(keys.pop()) >= 50
    assert stat.S_IMODE((folder / "secret-key").stat().st_mode) == 0o600
    assert [p.name for p in folder.iterdir()] == ["secret-key"]


def test_deployment_check_is_clean_in_production(tmp_path):
    done = run(
        "manage.py", "check", "--deploy", "--fail-level", "WARNING",
        PUBLIC_URL="https://tests.example.org", BEHIND_PROXY="1", EVENHAND_DATA=str(tmp_path),
    )
    assert done.returncode == 0, done.stderr


def test_settings_are_safe_when_nothing_is_set(tmp_path):
    code = (
        "import django; from django.conf import settings as s; django.setup();"
        "print(s.DEBUG, s.ALLOWED_HOSTS, s.TIME_ZONE, s.DATABASES['default']['OPTIONS']['transaction_mode'])"
    )
    done = run("-c", code, DJANGO_SETTINGS_MODULE="config.settings", EVENHAND_DATA=str(tmp_path))
    assert done.stdout.strip() == "False ['localhost', '127.0.0.1', '[::1]'] UTC IMMEDIATE"


def test_the_data_folder_is_closed_to_others(tmp_path):
    folder = tmp_path / "data"
    assert run("manage.py", "check", EVENHAND_DATA=str(folder)).returncode == 0
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_a_public_address_that_is_none_is_refused_in_one_line(tmp_path):
    done = run("manage.py", "check", PUBLIC_URL="tests.example.org", EVENHAND_DATA=str(tmp_path))
    assert done.returncode != 0
    assert "PUBLIC_URL: found “tests.example.org”, expected an address" in done.stderr


def test_the_analysis_runs_without_django(tmp_path):
    code = (
        "import sys, comparisons.analysis;"
        "print(sorted(m for m in sys.modules if m.split('.')[0] in {'django', 'pint', 'pandas', 'statsmodels'}))"
    )
    assert run("-c", code).stdout.strip() == "[]"


def test_a_web_process_stays_free_of_heavy_libraries(tmp_path):
    code = (
        "import django, sys; django.setup(); import config.urls, config.wsgi;"
        "from django.urls import get_resolver; get_resolver().url_patterns;"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'scipy', 'pint', 'plotly', 'pandas', 'openpyxl'}))"
    )
    done = run("-c", code, DJANGO_SETTINGS_MODULE="config.settings", EVENHAND_DATA=str(tmp_path))
    assert done.stdout.strip() == "[]", done.stderr


@pytest.mark.django_db
def test_models_and_migrations_agree():
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)
