"""The arithmetic of both passes on whole arrays: slow and obvious, or on a graphics card.

Every function takes first the module `xp` that its arrays belong to. With ``numpy`` this
room is what the compiled kernels (`_kernels`) are held against in the tests; with
``cupy`` it is `--device cuda`. Only what would keep a card waiting has CUDA code beside
it (`card`), held in turn against the same functions.

Nothing here is fast on a processor, and nothing imports CuPy but `card`.
"""
