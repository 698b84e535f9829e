"""The gateway watches itself: how it is, in figures and words, and an alarm when it is the problem.

An observer looks around every few seconds and leaves a plain value behind
(:class:`gateway.status.GatewayStatus`); metrics, health and the gateway's own alarms are made from
it and from what the threads show of themselves. Nothing here is asked by the way of a sample, and
nothing that asks from outside reaches a database.
"""
