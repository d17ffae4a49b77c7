"""The roles: bench members enter, planners prepare, editors judge and approve."""

from django.db import migrations

ROLES = ("bench", "planner", "editor")


def make(apps, schema_editor):
    group = apps.get_model("auth", "Group")
    for name in ROLES:
        group.objects.using(schema_editor.connection.alias).get_or_create(name=name)


class Migration(migrations.Migration):
    dependencies = [
        ("comparisons", "0001_initial"),
        ("auth", "0012_alter_user_first_name_max_length"),
    ]
    operations = [migrations.RunPython(make, migrations.RunPython.noop)]
