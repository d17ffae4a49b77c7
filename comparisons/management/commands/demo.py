"""Set up the demo and serve it."""

import json
import os
import secrets
import socket
import stat
from pathlib import Path

from django.conf import settings
from django.contrib.auth.models import Group, User
from django.core.management import call_command
from django.db import transaction

from comparisons import jobs
from comparisons.management.base import LineCommand, cannot
from comparisons.management.commands.serve import check_bind, split_bind
from comparisons.models import Comparison
from comparisons.models.editions import JobStatus, Verdict
from comparisons.services import approval, evaluation, roles
from comparisons.services.verification import latest_edition, verify_edition
from specimens.fields import Number
from specimens.models.bench import Holds

FOLDER = settings.BASE_DIR / "fixtures" / "demo"
NEXT_ROUND = settings.BASE_DIR / "fixtures" / "next-round"
TO_MEASURE = ("loop-dry", "loop-soak")  # its trials that are planned for the bench; the others are left to plan
ACCOUNTS = {
    "bench": roles.BENCH,
    "planner": roles.PLANNER,
    "editor": roles.EDITOR,
    "second-editor": roles.EDITOR,
    "operator": None,
}
LOOPBACK = {"127.0.0.1", "::1", "localhost"}
ANYWHERE = {"0.0.0.0", "::"}


class Command(LineCommand):
    help = (
        "Sets up a demo in the data folder and serves it: a database, a published comparison of invented "
        "cable ties, a second round of them that waits at the bench to be measured, and one account for each "
        "role. A second time it finds all of it there. It takes no data folder that holds other work."
    )

    def add_arguments(self, parser):
        parser.add_argument(
            "--bind", default="127.0.0.1:8000", metavar="ADDRESS:PORT",
            help="where to listen (default: %(default)s)",
        )  # fmt: skip
        parser.add_argument("--no-serve", action="store_true", help="set up, and do not serve")

    def handle(self, *, bind, no_serve, **options):
        address = self._address(bind)
        if not no_serve:
            check_bind(bind)
        self._say("Setting up the database")
        call_command("migrate", interactive=False, verbosity=0)
        self._refuse_other_work()
        comparison = self._study()
        users, passwords = self._accounts()
        edition = self._edition(comparison, users)
        if found := verify_edition(edition):
            raise cannot(f"The demo's edition does not verify: {found[0]}")
        self._say(f"Edition {edition.number} is published and verified: equal")
        self._next_round(users["planner"])
        self._tell(address, comparison, passwords)
        if not no_serve:
            os.environ["PUBLIC_URL"] = settings.PUBLIC_URL = address  # for the processes that serve starts
            call_command("serve", bind=bind)

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()

    def _address(self, bind: str) -> str:
        """The address to open: PUBLIC_URL where it is set, else what fits --bind."""
        host, port = split_bind(bind)
        if "PUBLIC_URL" in os.environ:
            return settings.PUBLIC_URL
        if host in LOOPBACK:
            host = "localhost"
        elif host in ANYWHERE:
            host = _own_address()
        return f"http://{f'[{host}]' if ':' in host else host}:{port}"

    def _refuse_other_work(self) -> None:
        if _passwords().exists():  # the demo made this folder: what was tried out in it since is welcome
            return
        others = User.objects.exclude(username__in=ACCOUNTS).exists()
        if others or Comparison.objects.exclude(slug__in=[_slug(), _slug(NEXT_ROUND)]).exists():
            raise cannot(
                f"{settings.DATA_DIR} holds other work, and the demo has accounts with known names: "
                "give it a folder of its own, such as EVENHAND_DATA=demo-data"
            )

    def _study(self) -> Comparison:
        from comparisons.folder.importer import import_study

        comparison = Comparison.objects.filter(slug=_slug()).first()
        if comparison:
            self._say(f"“{comparison.title}” is already here")
            return comparison
        comparison = import_study(FOLDER)
        self._say(f"Imported “{comparison.title}”")
        return comparison

    @transaction.atomic
    def _accounts(self) -> tuple[dict[str, User], dict[str, str]]:
        """One account for each role. Passwords are drawn by chance and kept, readable by this account
        alone, in the demo's data folder: a second start tells the same ones."""
        path = _passwords()
        kept = json.loads(path.read_text()) if path.exists() else {}
        users, passwords = {}, {}
        for name, role in ACCOUNTS.items():
            user, _ = User.objects.get_or_create(username=name)
            password = kept.get(name, "")
            if not (password and user.check_password(password)):
                password = "-".join(secrets.token_hex(3) for _ in range(3))
                user.set_password(password)
            user.is_staff = user.is_superuser = role is None
            user.save()
            user.groups.set(Group.objects.filter(name=role))
            users[name], passwords[name] = user, password
        if passwords != kept:
            path.touch(mode=stat.S_IRUSR | stat.S_IWUSR)
            path.write_text(json.dumps(passwords))
        return users, passwords

    def _edition(self, comparison: Comparison, users: dict[str, User]):
        """The newest edition; the first one goes the way of every edition: two people and the queue."""
        if not comparison.editions.exists():
            self._say("Evaluating")
            evaluation.run_evaluation(comparison)
            if approval.standing_approval(comparison) is None:
                request = approval.open_request(comparison) or approval.ask(
                    comparison, actor=users["planner"], note="The demo's first edition"
                )
                approval.decide(request, actor=users["editor"], verdict=Verdict.APPROVED)
            for job in comparison.jobs.filter(status=JobStatus.WAITING):
                job = jobs.run_inline(job)
                if job.status == JobStatus.FAILED:
                    raise cannot(f"The demo could not be published: {job.error}")
        return latest_edition(comparison)

    @transaction.atomic
    def _next_round(self, planner: User) -> None:
        """A second round, in a programme of its own: its bench work is planned, and nothing is measured."""
        from comparisons.folder.importer import import_study
        from specimens.bench import context, planning

        if Comparison.objects.filter(slug=_slug(NEXT_ROUND)).exists():
            return
        comparison = import_study(NEXT_ROUND)
        for code in TO_MEASURE:
            bench = context.load(comparison.slug, code)
            wishes = planning.Wishes(
                replicates=bench.trial.replicates, seed=bench.trial.seed, per_specimen=Number("1"),
                per_specimen_unit="count", unit_holds=Holds.PACK,
            )  # fmt: skip
            places = planning.make(bench, wishes, actor=planner)
            self._say(f"“{comparison.title}”: {len(places)} specimens of trial {code} wait at the bench")

    def _tell(self, address: str, comparison: Comparison, passwords: dict[str, str]) -> None:
        width = max(map(len, ACCOUNTS))
        self._say(f"\n  {address}/c/{comparison.slug}/   the published comparison, for everybody")
        self._say(f"  {address}/bench/   the bench: a next round to measure, with any account but the operator's")
        self._say(f"  {address}/sign-in/   the desk, with one of these accounts:\n")
        for name, role in ACCOUNTS.items():
            self._say(f"    {name:<{width}}  {passwords[name]}   {role or 'operator: runs the server'}")
        self._say("")


def _passwords() -> Path:
    """Where the demo keeps its accounts' passwords; the mark of a folder that it made."""
    return settings.DATA_DIR / "demo-accounts.json"


def _slug(folder: Path = FOLDER) -> str:
    import tomllib

    return tomllib.loads((folder / "comparison.toml").read_text(encoding="utf-8"))["slug"]


def _own_address() -> str:
    """This machine's address on its network; no packet is sent for it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address that RFC 5737 keeps for documentation
            return probe.getsockname()[0]
        except OSError:
            return socket.gethostname()
