"""For whoever chooses limits: labelled recordings, scores, a search over settings, and what to expect of them.

    cases      a dated folder: recording, labels, configuration, checksums
    labels     labels.json
    score      events against labels
    material   recordings decoded and sequenced once
    evaluate   one set of settings over them: the engine of the daemon, nothing else
    workers    many sets at once: here, in processes
    knobs      what may be turned, and how far
    search     Optuna; `choice` what is recommended, `expect` what to expect on new data
    folds      what is left out together; `otherwise` what else could be had; `progress` how long it takes
    report     the page, `stories` its plots; `fragment` the configuration's changes; `compare` two replays
"""
