"""The board: the gateway's web face, a process of its own.

It reads the records and writes only what people ask for, so that no page ever delays an alarm. The
gateway itself takes from here no more than the signing of links (:mod:`gateway.board.links`).
"""
