"""What schemathesis needs to be told to send the bytes of a resumable upload."""

import schemathesis


@schemathesis.serializer("application/offset+octet-stream")
def bytes_of_an_upload(_context, value):
    return value if isinstance(value, bytes) else str(value).encode()
