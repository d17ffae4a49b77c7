"""Make an account for somebody, with roles."""

import secrets

from django.contrib.auth.models import Group, User
from django.core.exceptions import ValidationError
from django.db import transaction

from comparisons.management.base import LineCommand, cannot
from comparisons.services.record import record

ROLES = ("bench", "planner", "editor", "operator")


class Command(LineCommand):
    help = (
        "Makes an account, or gives one other roles. bench: enters readings; planner: prepares; editor: judges and "
        "approves; operator: runs the server. The password is printed once; with --new-password an old account "
        "gets a new one."
    )

    def add_arguments(self, parser):
        parser.add_argument("name", help="what the person types to sign in")
        parser.add_argument("--role", action="append", choices=ROLES, default=[], help="may be given several times")
        parser.add_argument("--new-password", action="store_true", help="of an account that is there already")

    def handle(self, *, name, role, new_password, **options):
        try:
            User.username_validator(name)
        except ValidationError as error:
            raise cannot(f"The name “{name}” is refused: use letters, digits and @ . + - _ only") from error
        if not role:
            raise cannot(f"Say at least one --role: {', '.join(ROLES)}")
        with transaction.atomic():
            user, made = User.objects.get_or_create(username=name)
            password = ""
            if made or new_password:
                password = "-".join(secrets.token_hex(3) for _ in range(3))
                user.set_password(password)
            user.is_superuser = "operator" in role
            user.save()
            user.groups.set(Group.objects.filter(name__in=role))
            record(None, "made an account" if made else "changed an account", thing="account", code=name,
                   after={"roles": sorted(role)})
        self.stdout.write(f"{name}: {', '.join(sorted(role))}" + (f"; password {password}" if password else ""))
