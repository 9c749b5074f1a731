"""The burn log: records, store, migrations, the bench's verbs, weighings, filing of photos."""
