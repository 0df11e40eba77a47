"""Everything that touches the world: HTTP, storage, feeds, webhooks, clock jobs, command line.

Importing this package makes ``zoneinfo`` read the pinned ``tzdata`` package instead of the host's
own files, which may be years older: two hosts must publish the same calendar.
"""

import zoneinfo

zoneinfo.reset_tzpath(to=())
zoneinfo.ZoneInfo.clear_cache()
