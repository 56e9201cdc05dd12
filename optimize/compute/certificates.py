"""Certificates of a cluster that is reached by TLS: what is missing or not accepted is said.

The certificates themselves are the library's, by its configuration under ``distributed.comm.tls``.
"""

import ssl
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from layers.errors import InputError

if TYPE_CHECKING:
    from distributed.security import Security

_SETTINGS = "distributed.comm.tls in the Dask configuration of this machine"


def connection_arguments(address: str) -> dict[str, Any]:
    """Return what the library needs to connect to a scheduler.

    Parameters
    ----------
    address : str
        The scheduler's, starting with ``tcp://`` or ``tls://``.

    Raises
    ------
    InputError
        If it is reached by TLS, and a certificate is not configured or cannot be read.
    """
    from distributed.security import Security

    security = Security()
    if address.startswith("tls://"):
        missing = [name for name, value in _files(security).items() if not value]
        if missing:
            raise InputError(
                f"--cluster is {address}, which needs certificates, but {' and '.join(missing)} "
                f"is missing: set it under {_SETTINGS}."
            )
    try:
        arguments: dict[str, Any] = security.get_connection_args("client")
    except OSError as error:  # errors of TLS are among them
        named = ", ".join(
            name if "\n" in str(value) else f"{name} = {value}"
            for name, value in _files(security).items()
        )
        raise InputError(
            f"The certificates for {address} cannot be read ({error.strerror or error}): check "
            f"{named} under {_SETTINGS}."
        ) from error
    return arguments


def _files(security: "Security") -> dict[str, str | None]:
    """Return the configured files, or certificates in their place, by the name of the setting."""
    tls = security.get_tls_config_for_role("client")
    return {"ca-file": tls["ca_file"], "client.cert": tls["cert"]}


def why_refused(address: str, error: Exception) -> str | None:
    """Say in a sentence what is wrong with TLS, if that is why a scheduler was not reached.

    Parameters
    ----------
    address : str
        The scheduler's, starting with ``tcp://`` or ``tls://``.
    error : Exception
        What the library raised when it connected.
    """
    from distributed.comm.core import CommClosedError

    troubles = [cause for cause in _causes(error) if isinstance(cause, ssl.SSLError)]
    if any(isinstance(trouble, ssl.SSLCertVerificationError) for trouble in troubles):
        return (
            f"The certificate of {address} is not signed by the authority in ca-file: check it "
            f"under {_SETTINGS}, or whether this is the right address."
        )
    if any(trouble.reason == "WRONG_VERSION_NUMBER" for trouble in troubles):
        return f"{address} does not answer by TLS: give the address as tcp://, or start it by TLS."
    if not troubles and not isinstance(error, CommClosedError):
        return None
    # The other end ended the connection after it was made, with a word of TLS or without.
    if address.startswith("tcp://"):
        return f"{address} ends the connection: if it asks for certificates, give it as tls://."
    return (
        f"{address} does not accept this machine's certificate: check client.cert under "
        f"{_SETTINGS}."
    )


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        # The library's streams keep what closed them beside the chain.
        error = error.__cause__ or getattr(error, "real_error", None) or error.__context__
