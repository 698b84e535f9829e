PRAGMA auto_vacuum=0;
PRAGMA application_id=1651987539;
PRAGMA user_version=1;
BEGIN TRANSACTION;
CREATE TABLE dirty (
    unit_id INTEGER NOT NULL, start_ms INTEGER NOT NULL, PRIMARY KEY (unit_id, start_ms)
) WITHOUT ROWID;
INSERT INTO "dirty" VALUES(1,1767226200000);
CREATE TABLE mark (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
INSERT INTO "mark" VALUES('rollup',1451865600000);
INSERT INTO "mark" VALUES('rollup done',1451865600000);
INSERT INTO "mark" VALUES('sample',1732665600000);
INSERT INTO "mark" VALUES('sample done',1732665600000);
CREATE TABLE rollup (
    unit_id INTEGER NOT NULL, start_ms INTEGER NOT NULL, "min_basin_level" REAL, "mean_basin_level" REAL, "max_basin_level" REAL, "count_basin_level" INTEGER, "min_conductivity" REAL, "mean_conductivity" REAL, "max_conductivity" REAL, "count_conductivity" INTEGER, "min_basin_temperature" REAL, "mean_basin_temperature" REAL, "max_basin_temperature" REAL, "count_basin_temperature" INTEGER, "min_pump_current" REAL, "mean_pump_current" REAL, "max_pump_current" REAL, "count_pump_current" INTEGER, "min_supply_voltage" REAL, "mean_supply_voltage" REAL, "max_supply_voltage" REAL, "count_supply_voltage" INTEGER, "min_spray_pressure" REAL, "mean_spray_pressure" REAL, "max_spray_pressure" REAL, "count_spray_pressure" INTEGER, "min_spray_flow" REAL, "mean_spray_flow" REAL, "max_spray_flow" REAL, "count_spray_flow" INTEGER, "min_head_pressure" REAL, "mean_head_pressure" REAL, "max_head_pressure" REAL, "count_head_pressure" INTEGER, "min_ambient_temperature" REAL, "mean_ambient_temperature" REAL, "max_ambient_temperature" REAL, "count_ambient_temperature" INTEGER, "min_relative_humidity" REAL, "mean_relative_humidity" REAL, "max_relative_humidity" REAL, "count_relative_humidity" INTEGER, "min_fan_speed" REAL, "mean_fan_speed" REAL, "max_fan_speed" REAL, "count_fan_speed" INTEGER, "min_fan_run" REAL, "mean_fan_run" REAL, "max_fan_run" REAL, "count_fan_run" INTEGER, "min_fan_fault" REAL, "mean_fan_fault" REAL, "max_fan_fault" REAL, "count_fan_fault" INTEGER, "min_pump_command" REAL, "mean_pump_command" REAL, "max_pump_command" REAL, "count_pump_command" INTEGER, "min_wet_mode" REAL, "mean_wet_mode" REAL, "max_wet_mode" REAL, "count_wet_mode" INTEGER, "min_makeup_flow" REAL, "mean_makeup_flow" REAL, "max_makeup_flow" REAL, "count_makeup_flow" INTEGER, "min_bleed_flow" REAL, "mean_bleed_flow" REAL, "max_bleed_flow" REAL, "count_bleed_flow" INTEGER, "min_pad_pressure_drop" REAL, "mean_pad_pressure_drop" REAL, "max_pad_pressure_drop" REAL, "count_pad_pressure_drop" INTEGER, "min_heat_load" REAL, "mean_heat_load" REAL, "max_heat_load" REAL, "count_heat_load" INTEGER, PRIMARY KEY (unit_id, start_ms)
) WITHOUT ROWID;
INSERT INTO "rollup" VALUES(1,1767225600000,240.0,241.0,242.0,3,900.5,900.5,900.5,3,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0);
INSERT INTO "rollup" VALUES(2,1767225600000,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,3.9,3.9,3.9,1,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0,NULL,NULL,NULL,0);
CREATE TABLE sample (
    unit_id INTEGER NOT NULL, time_ms INTEGER NOT NULL, "basin_level" REAL, "conductivity" REAL, "basin_temperature" REAL, "pump_current" REAL, "supply_voltage" REAL, "spray_pressure" REAL, "spray_flow" REAL, "head_pressure" REAL, "ambient_temperature" REAL, "relative_humidity" REAL, "fan_speed" REAL, "fan_run" REAL, "fan_fault" REAL, "pump_command" REAL, "wet_mode" REAL, "makeup_flow" REAL, "bleed_flow" REAL, "pad_pressure_drop" REAL, "heat_load" REAL, PRIMARY KEY (unit_id, time_ms)
) WITHOUT ROWID;
INSERT INTO "sample" VALUES(1,1767225600000,240.0,900.5,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(1,1767225601000,241.0,900.5,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(1,1767225602000,242.0,900.5,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(1,1767226200000,250.0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(2,1767225600000,NULL,NULL,NULL,3.9,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE unit (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, unit)
);
INSERT INTO "unit" VALUES(1,'quay','ac-1');
INSERT INTO "unit" VALUES(2,'mill','ac-2');
COMMIT;
