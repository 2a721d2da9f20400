-- a store as version 0.1.0 wrote it with SQLite (schema_1): the invented trial of store_trials.full_records
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('schema_1');
CREATE TABLE notes (
	id INTEGER NOT NULL, 
	thing_id INTEGER NOT NULL, 
	version_id INTEGER NOT NULL, 
	kind VARCHAR(32) NOT NULL, 
	run INTEGER NOT NULL, 
	batch VARCHAR(200) NOT NULL, 
	name VARCHAR(500) NOT NULL, 
	place INTEGER NOT NULL, 
	revision INTEGER NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT one_note_a_revision UNIQUE (thing_id, kind, run, batch, name, place, revision), 
	CONSTRAINT note_of_a_thing FOREIGN KEY(thing_id) REFERENCES things (id), 
	CONSTRAINT note_of_a_version FOREIGN KEY(version_id) REFERENCES versions (id)
);
INSERT INTO "notes" VALUES(1,2,3,'order',1,'','',0,1,'3');
INSERT INTO "notes" VALUES(2,2,3,'order',2,'','',0,1,'1');
INSERT INTO "notes" VALUES(3,2,3,'failed',4,'','',0,1,'"lumps"');
INSERT INTO "notes" VALUES(4,2,3,'finished at',1,'','',0,1,'"2026-03-31T14:30:00"');
INSERT INTO "notes" VALUES(5,2,3,'finished at',2,'','',0,1,'"2026-04-01T00:00:00"');
INSERT INTO "notes" VALUES(6,2,3,'as made',2,'','speed',0,1,'812.5');
INSERT INTO "notes" VALUES(7,2,3,'covariate',1,'','room temperature',0,1,'21.5');
INSERT INTO "notes" VALUES(8,2,3,'covariate',3,'','room temperature',0,1,'24.0');
INSERT INTO "notes" VALUES(9,2,3,'remark',1,'1','',0,1,'"smelt odd"');
INSERT INTO "notes" VALUES(10,2,3,'remark',1,'1','',1,1,'"=2+3"');
INSERT INTO "notes" VALUES(11,2,3,'remark',3,'3b','',0,1,'"made on Friday"');
INSERT INTO "notes" VALUES(12,2,3,'constant',0,'','balance',0,1,'"B2"');
INSERT INTO "notes" VALUES(13,2,3,'constant',0,'','stirrer diameter',0,1,'45.0');
INSERT INTO "notes" VALUES(14,2,3,'weighed',1,'B-01','',1,1,'{"phase": "A", "do": "add polymer", "target": 1.0, "actual": 1.0025, "done": true, "cell": "E5"}');
INSERT INTO "notes" VALUES(15,2,3,'weighed',0,'base gel','',2,1,'{"phase": "", "do": "stir", "target": null, "actual": null, "done": true, "cell": "E6"}');
INSERT INTO "notes" VALUES(16,2,3,'entry',1,'B-01','pot',0,1,'"blue"');
INSERT INTO "notes" VALUES(17,2,3,'entry',1,'B-01','pH meter',0,1,'3.0');
CREATE TABLE readings (
	id INTEGER NOT NULL, 
	thing_id INTEGER NOT NULL, 
	version_id INTEGER NOT NULL, 
	run INTEGER NOT NULL, 
	batch VARCHAR(200) NOT NULL, 
	replicate INTEGER NOT NULL, 
	response VARCHAR(500) NOT NULL, 
	time VARCHAR(100) NOT NULL, 
	condition VARCHAR(200) NOT NULL, 
	revision INTEGER NOT NULL, 
	value FLOAT, 
	lower FLOAT, 
	upper FLOAT, 
	cell TEXT NOT NULL, 
	withdrawn BOOLEAN NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT one_reading_a_revision UNIQUE (thing_id, run, batch, replicate, response, time, condition, revision), 
	CONSTRAINT reading_of_a_thing FOREIGN KEY(thing_id) REFERENCES things (id), 
	CONSTRAINT reading_of_a_version FOREIGN KEY(version_id) REFERENCES versions (id)
);
INSERT INTO "readings" VALUES(1,2,3,1,'1',1,'viscosity','24 h','25 °C',1,12001.0,12001.0,12001.0,'F1',0);
INSERT INTO "readings" VALUES(2,2,3,1,'1',1,'viscosity','4 wk','40 °C',1,NULL,100000.0,NULL,'H1',0);
INSERT INTO "readings" VALUES(3,2,3,1,'1',2,'viscosity','4 wk','40 °C',1,NULL,50.0,60.0,'H2',0);
INSERT INTO "readings" VALUES(4,2,3,1,'1',1,'pH','','',1,6.01,6.01,6.01,'G1',0);
INSERT INTO "readings" VALUES(5,2,3,2,'2',1,'viscosity','24 h','25 °C',1,12002.0,12002.0,12002.0,'F2',0);
INSERT INTO "readings" VALUES(6,2,3,2,'2',1,'pH','','',1,6.02,6.02,6.02,'G2',0);
INSERT INTO "readings" VALUES(7,2,3,3,'3',1,'viscosity','24 h','25 °C',1,12003.0,12003.0,12003.0,'F3',0);
INSERT INTO "readings" VALUES(8,2,3,3,'3',1,'pH','','',1,6.03,6.03,6.03,'G3',0);
INSERT INTO "readings" VALUES(9,2,3,3,'3b',1,'pH','','',1,NULL,NULL,5.0,'=H3',0);
INSERT INTO "readings" VALUES(10,2,4,1,'1',1,'pH','','',2,6.2,6.2,6.2,'G1',0);
CREATE TABLE things (
	id INTEGER NOT NULL, 
	kind VARCHAR(32) NOT NULL, 
	name VARCHAR(500) NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT one_thing_a_name UNIQUE (kind, name)
);
INSERT INTO "things" VALUES(1,'study','clear gel (invented)');
INSERT INTO "things" VALUES(2,'records','clear gel (invented)');
INSERT INTO "things" VALUES(3,'plan','clear gel (invented)');
INSERT INTO "things" VALUES(4,'recipe','clear gel');
CREATE TABLE versions (
	id INTEGER NOT NULL, 
	thing_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	at VARCHAR(40) NOT NULL, 
	who VARCHAR(200) NOT NULL, 
	why TEXT NOT NULL, 
	package VARCHAR(40) NOT NULL, 
	content TEXT NOT NULL, 
	digest VARCHAR(64) NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT one_version_a_number UNIQUE (thing_id, number), 
	CONSTRAINT version_of_a_thing FOREIGN KEY(thing_id) REFERENCES things (id)
);
INSERT INTO "versions" VALUES(1,1,1,'2026-11-25T12:00:00.000000+00:00','Ada','','0.1.0','{"kind": "study", "schema": 1, "name": "clear gel (invented)", "factors": [{"kind": "continuous", "name": "polymer", "low": 0.2, "high": 0.5, "unit": "%", "step": null, "limits": [null, null], "setting_sd": 0.0, "hard_to_change": false}, {"kind": "continuous", "name": "speed", "low": 200.0, "high": 800.0, "unit": "rpm", "step": null, "limits": [null, null], "setting_sd": 0.0, "hard_to_change": false}, {"kind": "categorical", "name": "base", "levels": ["tromethamine", "sodium hydroxide"], "hard_to_change": false}, {"kind": "covariate", "name": "room temperature", "unit": "\u00b0C", "mean": 22.0, "sd": 1.5}], "responses": [{"name": "viscosity", "unit": "mPa\u00b7s", "low": 1000.0, "high": null, "transform": "log", "decimals": null, "times": ["24 h", "4 wk"], "conditions": ["25 \u00b0C", "40 \u00b0C"]}, {"name": "pH", "unit": "", "low": 5.5, "high": 6.5, "transform": null, "decimals": null}], "constraints": [], "mixture_total": null, "balance": null, "notes": ""}','dde83013dbf8df638a4885e530044b404cc52e6ac8dc04445c93d2d5fdf615be');
INSERT INTO "versions" VALUES(2,3,1,'2026-11-25T12:01:00.000000+00:00','Ada','plan of the records saved','0.1.0','{"kind": "plan", "schema": 1, "study": {"kind": "study", "schema": 1, "name": "clear gel (invented)", "factors": [{"kind": "continuous", "name": "polymer", "low": 0.2, "high": 0.5, "unit": "%", "step": null, "limits": [null, null], "setting_sd": 0.0, "hard_to_change": false}, {"kind": "continuous", "name": "speed", "low": 200.0, "high": 800.0, "unit": "rpm", "step": null, "limits": [null, null], "setting_sd": 0.0, "hard_to_change": false}, {"kind": "categorical", "name": "base", "levels": ["tromethamine", "sodium hydroxide"], "hard_to_change": false}, {"kind": "covariate", "name": "room temperature", "unit": "\u00b0C", "mean": 22.0, "sd": 1.5}], "responses": [{"name": "viscosity", "unit": "mPa\u00b7s", "low": 1000.0, "high": null, "transform": "log", "decimals": null, "times": ["24 h", "4 wk"], "conditions": ["25 \u00b0C", "40 \u00b0C"]}, {"name": "pH", "unit": "", "low": 5.5, "high": 6.5, "transform": null, "decimals": null}], "constraints": [], "mixture_total": null, "balance": null, "notes": ""}, "model": {"name": "interaction", "terms": ["1", "polymer", "speed", "base", "polymer:speed", "polymer:base", "speed:base"], "added": []}, "runs": [{"run": 1, "settings": {"polymer": 0.2, "speed": 200.0, "base": "tromethamine"}}, {"run": 2, "settings": {"polymer": 0.5, "speed": 200.0, "base": "tromethamine"}}, {"run": 3, "settings": {"polymer": 0.2, "speed": 800.0, "base": "tromethamine"}}, {"run": 4, "settings": {"polymer": 0.5, "speed": 800.0, "base": "tromethamine"}}, {"run": 5, "settings": {"polymer": 0.2, "speed": 200.0, "base": "sodium hydroxide"}}, {"run": 6, "settings": {"polymer": 0.5, "speed": 200.0, "base": "sodium hydroxide"}}, {"run": 7, "settings": {"polymer": 0.2, "speed": 800.0, "base": "sodium hydroxide"}}, {"run": 8, "settings": {"polymer": 0.5, "speed": 800.0, "base": "sodium hydroxide"}}], "provenance": {"function": "full_factorial", "arguments": {"levels": 2, "replicates": 1, "centre": 0}, "seed": null, "version": "0.1.0", "kinds": {"factorial": 8}, "rounded": {}, "notes": []}}','4a86f96f3283953265ee4b1585c9b33a2520ca14e131abfbe1b6aebf5effb4f6');
INSERT INTO "versions" VALUES(3,2,1,'2026-11-25T12:02:00.000000+00:00','Ada','','0.1.0','{"kind": "records", "schema": 1, "plan": {"name": "clear gel (invented)", "version": 1, "fingerprint": "405b8f67b46d"}, "problems": [{"sheet": "Measurements", "cell": "F9", "found": "abc", "allowed": "a number", "mend": "type it"}], "questions": [{"cell": "Measurements!F8", "found": "12,345", "question": "which?", "choices": [12345.0, 12.345]}, {"cell": "Measurements!F9", "found": "x", "question": "again?", "choices": ["read again", "made again"]}], "answers": {"Measurements!G4": 6.01}, "as_made": true}','d3e39c9c06469e1b8818c1156fd6c0f2e105626cbd9430ccf7ed87f11899348e');
INSERT INTO "versions" VALUES(4,2,2,'2026-11-25T12:03:00.000000+00:00','Ada','decimal slipped','0.1.0','{"kind": "records", "schema": 1, "plan": {"name": "clear gel (invented)", "version": 1, "fingerprint": "405b8f67b46d"}, "problems": [{"sheet": "Measurements", "cell": "F9", "found": "abc", "allowed": "a number", "mend": "type it"}], "questions": [{"cell": "Measurements!F8", "found": "12,345", "question": "which?", "choices": [12345.0, 12.345]}, {"cell": "Measurements!F9", "found": "x", "question": "again?", "choices": ["read again", "made again"]}], "answers": {"Measurements!G4": 6.01}, "as_made": true}','853b78f1beb8b098eae505a1071acbcff06921c99e7a0333ab4a589cbc4079e4');
INSERT INTO "versions" VALUES(5,4,1,'2026-11-25T12:04:00.000000+00:00','Ada','','0.1.0','{"kind": "recipe", "schema": 1, "phases": [], "lines": [{"kind": "ingredient", "name": "water", "phase": "A", "percent": null, "factor": null, "balance": true, "of": "batch", "stock": null, "active": 1.0, "acid_content": null, "moisture": 0.0, "max_percent": null, "balance_readability": null, "function": "", "hazards": []}]}','869b30dc67470d5370f5567aa8d0211be95de549ee9069c4c3826f24303ebd81');
CREATE INDEX readings_by_version ON readings (version_id);
CREATE INDEX notes_by_version ON notes (version_id);
CREATE TRIGGER things_no_update BEFORE UPDATE ON things BEGIN SELECT RAISE(ABORT, 'rows of things are only ever added'); END;
CREATE TRIGGER things_no_delete BEFORE DELETE ON things BEGIN SELECT RAISE(ABORT, 'rows of things are only ever added'); END;
CREATE TRIGGER versions_no_update BEFORE UPDATE ON versions BEGIN SELECT RAISE(ABORT, 'rows of versions are only ever added'); END;
CREATE TRIGGER versions_no_delete BEFORE DELETE ON versions BEGIN SELECT RAISE(ABORT, 'rows of versions are only ever added'); END;
CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'rows of readings are only ever added'); END;
CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'rows of readings are only ever added'); END;
CREATE TRIGGER notes_no_update BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'rows of notes are only ever added'); END;
CREATE TRIGGER notes_no_delete BEFORE DELETE ON notes BEGIN SELECT RAISE(ABORT, 'rows of notes are only ever added'); END;
COMMIT;
