"""`python -m benchkit.guardian`: started by a run, never by hand."""

import sys

from benchkit.guardian.process import main

sys.exit(main())
