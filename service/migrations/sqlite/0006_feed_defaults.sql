-- What a feed's items are filled up with, as JSON.
ALTER TABLE feeds ADD COLUMN defaults TEXT;
