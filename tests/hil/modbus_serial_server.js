// A small device on the npm package modbus-serial, for the asking side to be held against.
//
//     node modbus_serial_server.js PORT UNIT
//
// Serves 127.0.0.1; prints "ready" when it does. 200 of everything: input register n holds 1000 + n, discrete
// input n is on when n is a multiple of 3, coils and holding registers hold what was written, 0 at first. Any
// other address is refused with exception 2, and function 23, which version 8 does not know, with exception 1.
"use strict";
const { ServerTCP } = require("modbus-serial");

const N = 200;
const coils = Array(N).fill(false);
const holding = Array(N).fill(0);

function known(address) {
  if (address >= N) throw Object.assign(new Error("no such address"), { modbusErrorCode: 2 });
  return address;
}

const device = {
  getCoil: (address) => coils[known(address)],
  getDiscreteInput: (address) => known(address) % 3 === 0,
  getHoldingRegister: (address) => holding[known(address)],
  getInputRegister: (address) => 1000 + known(address),
  setCoil: (address, value) => void (coils[known(address)] = value),
  setRegister: (address, value) => void (holding[known(address)] = value),
  // the package answers a write of several as soon as the first is taken; whole, it is taken or refused
  setRegisterArray: (address, values) => {
    known(address + values.length - 1);
    holding.splice(address, values.length, ...values);
  },
};

const [port, unit] = process.argv.slice(2).map(Number);
const server = new ServerTCP(device, { host: "127.0.0.1", port, unitID: unit });
server.on("initialized", () => console.log("ready"));
server.on("serverError", (error) => {
  console.error(error);
  process.exit(1);
});
