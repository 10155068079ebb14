"""What the system says of a file, in plain words."""

from __future__ import annotations

import errno

WORDS = {
    errno.EACCES: "its rights do not allow it",
    errno.EPERM: "its rights do not allow it",
    errno.EROFS: "its disk is read-only",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the disk takes no file of that size",
    errno.ENOENT: "it is not there",
    errno.ENOTDIR: "there is a file where a folder should be",
    errno.EISDIR: "there is a folder where a file should be",
    errno.EEXIST: "its name is taken",
    errno.ENOTEMPTY: "its name is taken",
    errno.ENAMETOOLONG: "its name is too long",
    errno.ELOOP: "it is a link that leads nowhere",
    errno.EIO: "the disk or the share fails",
    errno.ESTALE: "the share is away",
    errno.ENOTCONN: "the share is away",
    errno.EHOSTDOWN: "the share is away",
    errno.ETIMEDOUT: "the share does not answer",
    errno.EBUSY: "another program holds it",
    errno.EMFILE: "too many files are open",
    errno.ENFILE: "too many files are open",
    errno.EADDRINUSE: "the port is taken",
}


def plainly(error: OSError) -> str:
    """A clause such as "the disk is full"; the system's own words for what is rare."""
    known = WORDS.get(error.errno or 0)
    if known:
        return known
    words = error.strerror or type(error).__name__
    return words[:1].lower() + words[1:]
