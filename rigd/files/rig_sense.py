from rigd.files.rig_shape import *


def pick_channel(document, path, entry):
    from rigd.files.rig_shape import CHANNEL_SHAPES, QUANTITY_OF_ROLE

    return CHANNEL_SHAPES[QUANTITY_OF_ROLE[entry["role"]]]


def check_rig(document, sound):
    pass
