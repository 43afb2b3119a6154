def pick_step(document, path, entry):
    from rigd.files.profile_shape import StepShape

    return StepShape


def check_profile(document, sound):
    sound["steps"] = [next((k, v) for k, v in s if v is not None) for s in sound["steps"].values()]
