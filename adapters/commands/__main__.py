"""``python -m adapters.commands`` is ``lowhalf``."""

from adapters.commands.main import main

if __name__ == "__main__":
    raise SystemExit(main())
