"""The address under which the world reaches the server, as the server was last told."""

from sqlmodel import Session

from api.storage.tables import PublicAddressRow


def public_address(session: Session) -> str | None:
    """Return the address, without a slash at the end; None when no server has run yet."""
    row = session.get(PublicAddressRow, 1)
    return None if row is None else row.url


def keep_public_address(session: Session, url: str) -> bool:
    """Store the address and return whether it is another one than before."""
    row = session.get(PublicAddressRow, 1)
    if row is not None and row.url == url:
        return False
    session.merge(PublicAddressRow(id=1, url=url))
    return True
