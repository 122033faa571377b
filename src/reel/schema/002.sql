-- SPDX-License-Identifier: GPL-3.0-or-later
-- reel.db, version 2: changes of choices that belong together, and which of them took others back.

-- What was changed together; NULL: the change stands alone and its step is its id.
ALTER TABLE choice_history ADD COLUMN step INTEGER;
-- The step that this one takes back; NULL: it takes back nothing.
ALTER TABLE choice_history ADD COLUMN undoes INTEGER;
