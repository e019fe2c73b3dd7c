"""What a retoucher takes on: aligned frames, masks, layers, places done again.

Reading order: `opened` (a finished fusion in files), `weights`, `layers`, `openraster`,
`export`; `regions`, `blend`, `patching`.
"""
