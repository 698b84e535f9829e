"""The board for programs: the same views and acts as the pages, as JSON below ``/api/1/``.

Each module holds one subject: its models and a function that gives its routes. What a route says
comes from :mod:`gateway.overview`, what it does from :mod:`gateway.board.acts`, as on the pages.
"""
