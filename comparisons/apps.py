from django.apps import AppConfig


class ComparisonsConfig(AppConfig):
    name = "comparisons"

    def ready(self):
        from . import bench_hooks

        bench_hooks.provide()
