"""One list of what another machine may do to us, and every way in which we talk to one."""
