"""Advice for the supervisor: what could be changed, with the figures for and against. Proposals only, nothing written.

Everything rests on the department's own lists and log and on the same demand distributions as the evening's plan.
"""
