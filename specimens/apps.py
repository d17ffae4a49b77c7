from django.apps import AppConfig
from django.db.models.signals import post_migrate


class SpecimensConfig(AppConfig):
    name = "specimens"

    def ready(self):
        from . import checks, guards  # noqa: F401  (checks register themselves)

        # Without a sender: the last app to be migrated has the last word, and a table that a
        # migration remade has lost its triggers.
        post_migrate.connect(guards.reinstall, dispatch_uid="specimens.guards")
