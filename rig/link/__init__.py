"""The link: from bytes on a port to finished replies.

::

    transport     a port, found, locked, opened; foreign exceptions end there
    lines         bytes to typed events, pure                       events
    numbering     numbers, checksums, what to send again, pure
    course        one line in flight and all that may come back, pure   exchange
    conversation  `Link`: the course over a port, in step or brought back into step
    dialect       what a firmware is told and how it is read: data files, checked once
"""
