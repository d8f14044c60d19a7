// Run by mongosh, once after every start of compose.yaml, and harmless when
// repeated: it makes the one MongoDB server a replica set of itself, without which
// there is no majority to wait for, and gives rigledger its user.
const fs = require("fs");
const secret = (name) => fs.readFileSync("/run/secrets/" + name, "utf8").trim();

const admin = connect("mongodb://root:" + secret("mongo-root.password") + "@mongo:27017/admin?directConnection=true");

try {
  admin.adminCommand({ replSetGetStatus: 1 });
} catch (e) {
  if (e.codeName !== "NotYetInitialized") throw e;
  admin.adminCommand({ replSetInitiate: { _id: "ledger", members: [{ _id: 0, host: "mongo:27017" }] } });
}
for (let tries = 0; !admin.hello().isWritablePrimary; tries++) {
  if (tries === 120) throw new Error("the replica set has no primary after a minute");
  sleep(500); // milliseconds
}

const [, user, password] = secret("mongo.uri").match(/^mongodb:\/\/([^:]+):([^@]+)@/);
const roles = [{ role: "readWrite", db: "rigledger" }];
if (admin.getUser(user) === null) {
  admin.createUser({ user: user, pwd: password, roles: roles });
} else {
  admin.updateUser(user, { pwd: password, roles: roles });
}
print("replica set ledger is up, user " + user + " is in it");
