"""The process that fetches one calendar: address on standard input, calendar on standard output.

When it fails, the last line of standard error is ``code: message`` and the exit status is 1.
"""

import sys

import httpx

from api.dialling import resolved
from api.feeds.fetching import fetched
from scheduler.errors import UnreadableCalendar


def main() -> None:
    """Fetch, write, end."""
    try:
        body = fetched(
            sys.stdin.read(), resolve=resolved, transport=httpx.HTTPTransport(trust_env=False)
        )
    except UnreadableCalendar as refusal:
        sys.exit(f"{refusal.code}: {refusal}")
    sys.stdout.buffer.write(body)


if __name__ == "__main__":
    main()
