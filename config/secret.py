"""The secret key: from the environment, or made once and kept in the data folder."""

from __future__ import annotations

import os
import secrets
from pathlib import Path


def kept_secret_key(folder: Path) -> str:
    """The key in `folder`/secret-key; made on first use, readable by its owner alone.

    Two processes that start together agree on one key: the file is linked into place only once.
    """
    path = folder / "secret-key"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        draft = folder / f".secret-key-{secrets.token_hex(8)}"
        draft.touch(mode=0o600)
        draft.write_text(secrets.token_urlsafe(64))
        try:
            os.link(draft, path)
        except FileExistsError:
            pass
        finally:
            draft.unlink()
    return path.read_text().strip()
