def identity_findings(solved):
    return []
