// A control room's client on node-opcua: what it is asked for comes as JSON on standard input, what it saw goes out as
// JSON. It shares no code with the server.
"use strict";

const { X509Certificate } = require("crypto");
const fs = require("fs");
const {
  AttributeIds, BrowseDirection, ClientMonitoredItem, DataType, HistoryReadRequest, MessageSecurityMode, OPCUAClient,
  ReadEventDetails, SecurityPolicy, TimestampsToReturn, UserTokenType, Variant, constructEventFilter, ofType,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const CONDITION_TYPE = "i=2782", REFRESH = "i=3875", ACKNOWLEDGE = "i=9111";
const FIELDS = ["EventId", "EventType", "SourceName", "Message", "Severity", "ConditionName", "Retain", "ActiveState.Id",
  "AckedState.Id", "Comment", "ClientUserId", "ConditionId"];

async function main(asked) {
  const seen = {};
  const trust = new OPCUACertificateManager({ rootFolder: asked.pki });
  await trust.initialize();
  for (const file of asked.trusted) await trust.trustCertificate(new X509Certificate(fs.readFileSync(file)).raw);
  const client = OPCUAClient.create({
    applicationName: "control-room", applicationUri: "urn:test:client", endpointMustExist: false,
    securityMode: MessageSecurityMode.SignAndEncrypt, securityPolicy: SecurityPolicy.Basic256Sha256,
    certificateFile: asked.certificate, privateKeyFile: asked.key, clientCertificateManager: trust,
    connectionStrategy: { maxRetry: 0 },
  });
  await client.connect(asked.url);
  try {
    const session = await client.createSession(
      { type: UserTokenType.UserName, userName: asked.user, password: asked.password });
    try {
      await look(session, asked, seen);
      await alarms(session, asked, seen);
      await history(session, asked, seen);
    } finally {
      await session.close();
    }
  } finally {
    await client.disconnect();
    await trust.dispose();
  }
  return seen;
}

async function look(session, asked, seen) {
  seen.namespaces = await session.readNamespaceArray();
  const index = await session.getNamespaceIndex("urn:bagwright:skids");
  seen.browsed = {};
  for (const node of ["i=85", `ns=${index};s=skids`, `ns=${index};s=${asked.skid}`, `ns=${index};s=${asked.skid}/signals`]) {
    const found = await session.browse({ nodeId: node, browseDirection: BrowseDirection.Forward, resultMask: 63,
      referenceTypeId: "HierarchicalReferences", includeSubtypes: true });
    seen.browsed[node] = found.references.map((r) => r.browseName.name);
  }
  seen.values = {};
  for (const signal of asked.signals) {
    const node = `ns=${index};s=${asked.skid}/${signal}`;
    const [value, unit, range] = await session.read([node, `${node}/EngineeringUnits`, `${node}/EURange`].map(
      (nodeId) => ({ nodeId, attributeId: AttributeIds.Value })));
    seen.values[signal] = { value: value.value.value, status: value.statusCode.name, time: value.sourceTimestamp,
      unit: unit.value.value.displayName.text, code: unit.value.value.unitId, low: range.value.value.low,
      high: range.value.value.high };
  }
  try {
    seen.written = (await session.write({ nodeId: `ns=${index};s=${asked.skid}/${asked.signals[0]}`,
      attributeId: AttributeIds.Value, value: { value: { dataType: DataType.Double, value: 9.9 } } })).name;
  } catch (error) {
    seen.written = error.message;
  }
}

async function alarms(session, asked, seen) {
  const subscription = await session.createSubscription2({ requestedPublishingInterval: 250, requestedLifetimeCount: 1000,
    requestedMaxKeepAliveCount: 10, maxNotificationsPerPublish: 100, publishingEnabled: true, priority: 1 });
  const filter = constructEventFilter(FIELDS, ofType(CONDITION_TYPE));
  const told = [], waiting = [];
  const item = ClientMonitoredItem.create(subscription, { nodeId: "i=2253", attributeId: AttributeIds.EventNotifier },
    { queueSize: 1000, discardOldest: true, filter }, TimestampsToReturn.Both);
  item.on("changed", (fields) => {
    told.push(Object.fromEntries(FIELDS.map((name, i) => [name, plain(fields[i])])));
    waiting.splice(0).forEach((go) => go());
  });
  await new Promise((done) => item.on("initialized", done));
  const index = await session.getNamespaceIndex("urn:bagwright:skids");
  const value = ClientMonitoredItem.create(subscription, { nodeId: `ns=${index};s=${asked.skid}/${asked.signals[0]}`,
    attributeId: AttributeIds.Value }, { samplingInterval: 250, queueSize: 10 }, TimestampsToReturn.Both);
  seen.changed = await new Promise((done) => value.on("changed", (v) => done(v.value.value)));
  async function until(good) {
    const end = Date.now() + 20000;
    for (;;) {
      const found = told.find(good);
      if (found) return found;
      if (Date.now() > end) throw new Error(`nothing of the kind among ${JSON.stringify(told)}`);
      await new Promise((go) => { waiting.push(go); setTimeout(go, 500); });
    }
  }
  seen.refreshed = (await session.call({ objectId: CONDITION_TYPE, methodId: REFRESH,
    inputArguments: [new Variant({ dataType: DataType.UInt32, value: subscription.subscriptionId })] })).statusCode.name;
  const alarm = seen.alarm = await until((e) => e["ActiveState.Id"] === true && e["AckedState.Id"] === false);
  const acknowledge = async (event) => (await session.call({ objectId: alarm.ConditionId, methodId: ACKNOWLEDGE,
    inputArguments: [new Variant({ dataType: DataType.ByteString, value: Buffer.from(event, "hex") }),
      new Variant({ dataType: DataType.LocalizedText, value: { text: "seen from the control room" } })] })).statusCode.name;
  seen.unknown = await acknowledge("00".repeat(16));
  seen.acknowledged = await acknowledge(alarm.EventId);
  seen.after = await until((e) => e.ConditionId === alarm.ConditionId && e["AckedState.Id"] === true);
  seen.again = await acknowledge(alarm.EventId);
  await subscription.terminate();
}

async function history(session, asked, seen) {
  const index = await session.getNamespaceIndex("urn:bagwright:skids");
  const found = await session.readHistoryValue({ nodeId: `ns=${index};s=${asked.skid}/${asked.signals[0]}` },
    new Date(asked.from), new Date(asked.to), { numValuesPerNode: 0, returnBounds: false });
  seen.history = (found.historyData.dataValues || []).map(
    (v) => [v.sourceTimestamp.toISOString(), v.value.value, v.statusCode.name]);
  const past = await session.historyRead(new HistoryReadRequest({
    historyReadDetails: new ReadEventDetails({ numValuesPerNode: 0, startTime: new Date(asked.from),
      endTime: new Date(asked.until), filter: constructEventFilter(["Message", "ConditionName", "Time"]) }),
    nodesToRead: [{ nodeId: `ns=${index};s=${asked.skid}` }], releaseContinuationPoints: false,
    timestampsToReturn: TimestampsToReturn.Both }));
  seen.past = past.results[0].historyData.events.map((e) => e.eventFields.map(plain));
}

function plain(variant) {
  const value = variant.value;
  if (Buffer.isBuffer(value)) return value.toString("hex");
  if (value instanceof Date) return value.toISOString();
  if (value && typeof value === "object") return "text" in value ? value.text : String(value);
  return value;
}

main(JSON.parse(fs.readFileSync(0, "utf8"))).then(
  (seen) => { console.log(JSON.stringify(seen)); process.exit(0); },
  (error) => { console.error(error.stack); process.exit(1); });
