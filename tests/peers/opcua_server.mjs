// An OPC UA server of another make, for the tests: node-opcua.
// Usage: node opcua_server.mjs MODULES PORT FOLDER [secure] [aes] [strict] [closed] [history]
// MODULES is the folder node-opcua was installed in, FOLDER keeps keys and trusted certificates.
// secure: offers Basic256Sha256 too, with aes both Aes policies as well. closed: offers no open link and
// no nameless user. history: keeps what Core1 was. strict: believes only what lies in FOLDER/pki/trusted/certs.
// Commands are lines on standard input, their words parted by tabs:
//   set NAME VALUE [STATUS]   time NAME MILLISECONDS VALUE   add NAME VALUE   many COUNT MILLISECONDS ROUNDS   quit
import { createRequire } from "node:module";
import readline from "node:readline";
import path from "node:path";

const [modules, port, folder, ...flags] = process.argv.slice(2);
const require = createRequire(path.resolve(modules, "node_modules", "x.js"));
const opcua = require("node-opcua-server");
const { Variant, DataType, VariantArrayType } = require("node-opcua-variant");
const { DataValue } = require("node-opcua-data-value");
const { StatusCodes, coerceStatusCode } = require("node-opcua-status-code");
const { makeEUInformation, standardUnits } = require("node-opcua-data-access");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");
const { MessageSecurityMode, SecurityPolicy } = require("node-opcua-secure-channel");

const secure = flags.includes("secure");
const strict = flags.includes("strict");
const closed = flags.includes("closed");
const history = flags.includes("history");
const modes = secure
  ? [MessageSecurityMode.None, MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt]
  : [MessageSecurityMode.None];
const policies = [
  SecurityPolicy.None,
  ...(secure ? [SecurityPolicy.Basic256Sha256] : []),
  ...(flags.includes("aes") ? [SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss] : []),
];
const pki = new OPCUACertificateManager({
  rootFolder: path.join(folder, "pki"),
  automaticallyAcceptUnknownCertificate: !strict,
});
await pki.initialize();

const server = new opcua.OPCUAServer({
  port: Number(port),
  hostname: "127.0.0.1",
  resourcePath: "/",
  serverCertificateManager: pki,
  buildInfo: { productName: "test peer" },
  allowAnonymous: !closed,
  securityModes: closed ? modes.slice(1) : modes,
  securityPolicies: closed ? policies.slice(1) : policies,
  userManager: {
    isValidUser: (name, word) => name === "baker" && word === "rye-and-salt",
  },
});
await server.initialize();
const space = server.engine.addressSpace;
const ns = space.registerNamespace("urn:test:oven");
const oven = ns.addObject({ organizedBy: space.rootFolder.objects, browseName: "Oven 3", nodeId: "s=Oven3" });

const state = new Map(); // name -> DataValue
const points = new Map();
function value(number, status, at) {
  return new DataValue({
    value: new Variant({ dataType: DataType.Double, value: number }),
    statusCode: status,
    sourceTimestamp: at ?? new Date(),
    sourcePicoseconds: 0,
  });
}
function point(name, first, { unit, dataType = DataType.Double } = {}) {
  const make = unit ? ns.addAnalogDataItem.bind(ns) : ns.addVariable.bind(ns);
  const v = make({
    componentOf: oven,
    browseName: name,
    nodeId: `s=Oven3.${name}`,
    dataType: DataType[dataType] ?? dataType,
    minimumSamplingInterval: 20,
    ...(unit ? { engineeringUnits: unit, engineeringUnitsRange: { low: -200, high: 500 } } : {}),
    ...(first instanceof Variant ? { value: first } : {}),
  });
  if (!(first instanceof Variant)) {
    v.setValueFromSource({ dataType: DataType.Double, value: first });
  }
  points.set(name, v);
}
point("Core1", 29.5, { unit: standardUnits.degree_celsius });
point("Core2", 30.25, { unit: standardUnits.degree_celsius });
point("AirF", 401.0, { unit: makeEUInformation(4604232, "°F", "degree Fahrenheit") });
point("Millivolt", 4.096, { unit: makeEUInformation(12890, "mV", "millivolt") });
point("Junction", 24.75, { unit: standardUnits.degree_celsius });
point("Speed", 0.7, { unit: makeEUInformation(5067858, "m/min", "metre per minute") });
point("Plain temperature", 21.0);
point("Lid open", new Variant({ dataType: DataType.Boolean, value: false }), { dataType: DataType.Boolean });
point(
  "Block",
  new Variant({ dataType: DataType.Float, arrayType: VariantArrayType.Array, value: new Float32Array([1.5, 2.5, 3.5]) }),
  { dataType: DataType.Float },
);

if (history) {
  for (const name of ["Core1", "Millivolt", "Junction"]) {
    space.installHistoricalDataNode(points.get(name), { maxOnlineValues: 5000 });
  }
}

const lines = readline.createInterface({ input: process.stdin });
lines.on("line", async (line) => {
  const [verb, name, a, b] = line.trim().split(/\t/);
  try {
    if (verb === "set") {
      const status = b ? coerceStatusCode(/^\d+$/.test(b) ? Number(b) : b) : StatusCodes.Good;
      points.get(name).setValueFromSource({ dataType: DataType.Double, value: Number(a) }, status, new Date());
    } else if (verb === "time") {
      points.get(name).setValueFromSource(
        { dataType: DataType.Double, value: Number(b) }, StatusCodes.Good, new Date(Number(a)));
    } else if (verb === "add") {
      point(name, Number(a), { unit: standardUnits.degree_celsius });
    } else if (verb === "many") {
      for (let i = 0; i < Number(name); i++) point(`Many${i}`, 0);
      let round = 0;
      const beat = setInterval(() => {
        round += 1;
        const at = new Date();
        for (let i = 0; i < Number(name); i++) {
          points.get(`Many${i}`).setValueFromSource(
            { dataType: DataType.Double, value: round + i / 1000 }, StatusCodes.Good, at);
        }
        if (round >= Number(b)) clearInterval(beat);
      }, Number(a));
    } else if (verb === "quit") {
      await server.shutdown(0);
      process.exit(0);
    }
    console.log(`did ${line}`);
  } catch (trouble) {
    console.log(`failed ${line}: ${trouble}`);
  }
});
lines.on("close", () => process.exit(0));
await server.start();
console.log("ready");
