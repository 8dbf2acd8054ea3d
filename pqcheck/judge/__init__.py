"""Rules, recording, site and trust to limit findings: the only room that decides a limit verdict."""
