"""Until when a certificate is valid, as whoever connects will find it.

Asked by a handshake with itself in memory: the standard library tells the dates of a certificate
only to the side that has verified it.
"""

import contextlib
import ssl
from datetime import UTC, datetime
from pathlib import Path

#: X509_V_ERR_CERT_NOT_YET_VALID and X509_V_ERR_CERT_HAS_EXPIRED of OpenSSL's x509_vfy.h.
_TOO_EARLY, _TOO_LATE = 9, 10
_TURNS = 8  # a handshake takes three


def validity(context: ssl.SSLContext, certificate: Path) -> tuple[str, datetime | None]:
    """Tell why a certificate is not valid now, empty where it is, and until when it is.

    The time is None where it is not valid, or cannot be told for another reason than its dates.
    """
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.load_verify_locations(certificate)
    # The certificate vouches for itself: who issued it is the business of those that connect.
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    asking = client.wrap_bio(to_client, to_server)
    answering = context.wrap_bio(to_server, to_client, server_side=True)
    try:
        for _ in range(_TURNS):
            for side in (asking, answering):
                with contextlib.suppress(ssl.SSLWantReadError):
                    side.do_handshake()
        told = asking.getpeercert()
    except ssl.SSLCertVerificationError as error:
        why = {_TOO_EARLY: "is not valid yet", _TOO_LATE: "has expired"}
        return why.get(error.verify_code, ""), None
    except (ssl.SSLError, ValueError):
        return "", None
    ends = str(told["notAfter"]) if told else ""
    return "", datetime.fromtimestamp(ssl.cert_time_to_seconds(ends), UTC) if ends else None
