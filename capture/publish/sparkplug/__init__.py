"""A Sparkplug B edge node (Eclipse Sparkplug 3.0): the live view of a bench for a plant's host.

The JSON stream stays the system of record: births and data of Sparkplug travel at QoS 0.
"""
