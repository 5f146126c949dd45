"""The local server: signalling, sessions, certificates and the command line.

It feeds `vision` with frames and carries its answers out; all judgement about rods is in `vision`.
"""
