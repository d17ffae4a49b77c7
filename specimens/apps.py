from django.apps import AppConfig
from django.db.models.signals import post_migrate


class SpecimensConfig(AppConfig):
    name = "specimens"

    def ready(self):
        from . import checks, guards  # noqa: F401  (checks register themselves)

        # Sent once for each app, when all migrations are done: one of them is enough. A table that a
        # migration remade has lost its triggers.
        post_migrate.connect(guards.reinstall, sender=self, dispatch_uid="specimens.guards")
