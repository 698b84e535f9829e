"""What people do on the board: the pages and the API call the same functions.

Each act and its entry in the audit trail are one transaction. Nothing here knows a form or JSON.
"""
