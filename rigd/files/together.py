def find_conflicts(rig, profile, a, b):
    return ()
