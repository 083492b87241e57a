"""``python -m adapters.commands`` is ``lowhalf``."""

from adapters.commands.main import main

raise SystemExit(main())
