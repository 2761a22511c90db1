// A client on the npm package modbus-serial that goes through function codes 1-6, 15, 16 and 23 and an exception.
//
//     node modbus_serial_client.js tcp HOST PORT UNIT
//     node modbus_serial_client.js rtu DEVICE BAUD UNIT
//
// Function 23 goes over TCP only: the serial ports of version 8.0 wait for ever for its response, whose length
// they do not know. Expects what libmodbus_client.c expects. Prints "served" and ends with 0, or says what was wrong
// and ends with 1.
"use strict";
const assert = require("node:assert");
const Client = require("modbus-serial");

const PATTERN = [true, false, true, false, true, false, true, false, true, true];

async function connect(client, kind, where, number) {
  if (kind === "tcp") await client.connectTCP(where, { port: Number(number) });
  else await client.connectRTUBuffered(where, { baudRate: Number(number) });
}

async function exchange(client, kind) {
  const inputs = (await client.readDiscreteInputs(0, 10)).data.slice(0, 10);
  assert.deepStrictEqual(inputs, [...Array(10).keys()].map((i) => i % 3 === 0), "FC2");
  assert.deepStrictEqual((await client.readInputRegisters(10, 5)).data, [1010, 1011, 1012, 1013, 1014], "FC4");
  await client.writeCoil(3, true);
  await client.writeCoils(10, PATTERN);
  const coils = (await client.readCoils(0, 20)).data.slice(0, 20);
  assert.deepStrictEqual(coils, [...Array(10).keys()].map((i) => i === 3).concat(PATTERN), "FC1, 5, 15");
  await client.writeRegister(20, 0xbeef);
  await client.writeRegisters(30, [7, 8, 65535]);
  assert.deepStrictEqual((await client.readHoldingRegisters(20, 1)).data, [0xbeef], "FC3, 6");
  if (kind === "rtu") await client.writeRegisters(40, [7, 8, 65535]);
  else {
    const both = await client.readWriteRegisters(40, 5, 40, 3, [7, 8, 65535]);
    assert.deepStrictEqual(both.data, [7, 8, 65535, 0, 0], "FC23");
  }
  await assert.rejects(client.readHoldingRegisters(200, 1), (error) => error.modbusCode === 2, "exception 02");
}

async function main([kind, where, number, unit]) {
  const client = new Client();
  await connect(client, kind, where, number);
  client.setID(Number(unit));
  client.setTimeout(5000);
  await exchange(client, kind);
  client.close(() => console.log("served"));
}

main(process.argv.slice(2)).catch((error) => {
  console.error(error);
  process.exit(1);
});
