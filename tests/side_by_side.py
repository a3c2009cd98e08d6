"""Which tests one process passes, where several pass the suite side by side."""

from xdist.scheduler import LoadScopeScheduling

ONE_WHOLE = ("tests/physics/",)  # its last file reads what all the others recorded


class ByFile(LoadScopeScheduling):
    """A file's tests share what they set up, so one process passes them all; so it is with a whole room."""

    def _split_scope(self, nodeid: str) -> str:
        return next((room for room in ONE_WHOLE if nodeid.startswith(room)), nodeid.split("::")[0])
